"""The client's call for the report of a session; `Client` has it."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from coilbench.calls import Calls, finite
from coilbench.comparing_calls import Words
from coilbench.download import download
from coilbench.extension import form_for

FORMS = {".html": "text/html", ".pdf": "application/pdf", ".json": "application/json"}
"""Media types by the extension of the file."""
REPORT_TIMEOUT_S = 300.0
"""For the report to begin, s: pictures are drawn first."""


class ReportCalls(Calls):
    """What a client hands to people."""

    def report(
        self,
        session: str,
        path: str | Path,
        *,
        baseline: str | None = None,
        quantities: Words | None = None,
        confidence: float = 0.95,
    ) -> Path:
        """Save the report of a session: what was found in words, figures, pictures, conditions, definitions.

        Parameters
        ----------
        session : as its takes name it; a sheet is not needed
        path : file to write, replaced once the new one is complete; the extension picks the form: .html for one file
            that works offline, .pdf for A4, .json for what the report rests on
        baseline : pickup to hold the others against; None: the reference that the session's sheet names, else the one
            with the most takes
        quantities : keys; None for a short list of the usual ones
        confidence : of the comparison's intervals and, for all of them together, of the verdicts

        Returns
        -------
        The file

        Raises
        ------
        UnknownFormat : another extension
        NotFound : no sheet and no take has this session
        Conflict : none of its takes is measured yet
        Unprocessable : it has no take; the baseline has none that counts; a quantity that there is not
        NotSaved : it can't be written there
        """
        target = Path(path)
        media_type = form_for(target, FORMS, "a report")
        query = [("confidence", str(finite({"confidence": confidence})["confidence"]))]
        wanted = [quantities] if isinstance(quantities, str) else quantities or ()
        query += [("quantity", key) for key in wanted]
        if baseline is not None:
            query.append(("baseline", baseline))
        address = f"/v1/sessions/{quote(session, safe='')}/report"
        timeout_s = max(REPORT_TIMEOUT_S, self._transport.timeout_s)
        return download(self._transport, address, target, query=query, accept=media_type, timeout_s=timeout_s)

"""The client's calls about input chains; `Client` has them all."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import quote

from coilbench.calls import PAGE, Calls, done_once, finite
from coilbench.chain import Calibration, Chain
from coilbench.errors import NotReadable
from coilbench.transport import Body
from coilbench.upload import UPLOAD_TIMEOUT_S, multipart


class ChainCalls(Calls):
    """What a client does with chains."""

    def chains(self) -> Iterator[Chain]:
        """Input chains, over all pages, in the order in which they were made."""
        for item in self._transport.lines("/v1/chains", [("limit", PAGE)]):
            yield self._read(Chain.from_document, item, "chain")

    def chain(self, key: str) -> Chain:
        """One chain with its calibrations.

        Parameters
        ----------
        key : of the chain

        Raises
        ------
        NotFound : there is no such chain
        """
        return self._read(Chain.from_document, self._transport.document("GET", _path(key)), "chain")

    def add_chain(
        self,
        key: str,
        *,
        name: str | None = None,
        notes: str | None = None,
        gain_step_uncertainty_db: float | None = None,
        cable: str | None = None,
        input_gain_db: float | None = None,
    ) -> Chain:
        """Make a chain. Takes that name its key already fall under it from then on.

        Parameters
        ----------
        key : short unique text, without /
        name, notes : for people
        gain_step_uncertainty_db : how far a difference of two gain settings can be trusted, dB, expanded (k = 2);
            without it a calibration holds at its own gain only
        cable : that belongs to it; its takes inherit it
        input_gain_db : of an input whose gain is never changed, dB; its takes inherit it

        Raises
        ------
        Conflict : there is a chain of this key
        BadDescription : a number that is not finite
        Unprocessable : a value that the service does not take
        """
        stated = {
            "name": name,
            "notes": notes,
            "gain_step_uncertainty_db": gain_step_uncertainty_db,
            "cable": cable,
            "input_gain_db": input_gain_db,
        }
        document = {"key": key, **{field: value for field, value in stated.items() if value is not None}}
        made = self._transport.document("POST", "/v1/chains", document=finite(document), headers=done_once())
        return self._read(Chain.from_document, made, "chain")

    def change_chain(self, key: str, **changes: Any) -> Chain:
        """Change what is said of a chain.

        Parameters
        ----------
        key : of the chain, which stays
        changes : name, notes, gain_step_uncertainty_db, cable, input_gain_db; None removes

        Raises
        ------
        BadDescription : a number that is not finite
        Unprocessable : a value that the service does not take
        NotFound : there is no such chain
        """
        changed = self._transport.document("PATCH", _path(key), document=finite(changes))
        return self._read(Chain.from_document, changed, "chain")

    def remove_chain(self, key: str) -> None:
        """Delete a chain with its calibrations and tones; its takes stay, without millivolts.

        Parameters
        ----------
        key : of the chain

        Raises
        ------
        NotFound : there is no such chain
        """
        self._transport.request("DELETE", _path(key))

    def calibrate(
        self,
        key: str,
        tone: str | Path | None = None,
        *,
        input_gain_db: float,
        full_scale_dbu: float | None = None,
        full_scale_v_rms: float | None = None,
        uncertainty_db: float | None = None,
        tone_v_rms: float | None = None,
        tone_dbu: float | None = None,
        uncertainty_percent: float | None = None,
        channel: int | None = None,
    ) -> Calibration:
        """Say what full scale is at a gain of a chain, by a number or by a recorded tone.

        By a number: `full_scale_dbu` or `full_scale_v_rms` (of the sine whose peak just reaches full scale), with
        `uncertainty_db`. By a tone: a recording of one steady sine, ten seconds say, `tone_v_rms` or `tone_dbu` (its
        voltage at the input, read while it was recorded), with `uncertainty_percent`. Uncertainties are expanded ones,
        k = 2. Takes of this chain and gain show other millivolts at once; nothing is measured again.

        Parameters
        ----------
        key : of the chain
        tone : the recording, or None
        input_gain_db : gain it holds at, as the takes give it
        channel : that carries the tone, counted from 1; needed when channels differ

        Raises
        ------
        ToneUnfit : with every fault that was found in the recording; nothing was kept
        BadDescription : a number that is not finite
        Unprocessable : a value is missing, or the service does not take it
        NotFound : there is no such chain
        NotReadable : the recording can't be read
        """
        values = {
            "input_gain_db": input_gain_db,
            "full_scale_dbu": full_scale_dbu,
            "full_scale_v_rms": full_scale_v_rms,
            "uncertainty_db": uncertainty_db,
            "tone_v_rms": tone_v_rms,
            "tone_dbu": tone_dbu,
            "uncertainty_percent": uncertainty_percent,
            "channel": channel,
        }
        given = finite({name: value for name, value in values.items() if value is not None})
        path = f"{_path(key)}/calibrations"
        if tone is None:
            made = self._transport.document("POST", path, document=given, headers=done_once())
        else:
            made = self._send_tone(path, Path(tone), given)
        return self._read(Calibration.from_document, made, "calibration")

    def remove_calibration(self, key: str, id: str) -> None:
        """Delete a calibration of a chain; the one before it at its gain counts again.

        Parameters
        ----------
        key : of the chain
        id : of the calibration

        Raises
        ------
        NotFound : there is no such chain or calibration
        """
        self._transport.request("DELETE", f"{_path(key)}/calibrations/{quote(id, safe='')}")

    def _send_tone(self, path: str, tone: Path, about: Mapping[str, Any]) -> dict[str, Any]:
        try:
            with ExitStack() as open_files:

                def body() -> Body:
                    file = open_files.enter_context(tone.open("rb"))
                    return multipart(file, tone.name, json.dumps(about))

                timeout_s = max(UPLOAD_TIMEOUT_S, self._transport.timeout_s)
                return self._transport.document("POST", path, body=body, headers=done_once(), timeout_s=timeout_s)
        except OSError as cause:
            raise NotReadable(f"{tone} can't be read: {cause.strerror or cause}") from cause


def _path(key: str) -> str:
    return f"/v1/chains/{quote(key, safe='')}"

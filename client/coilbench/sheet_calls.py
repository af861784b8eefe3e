"""The client's calls about data sheets of pickups and sessions; `Client` has them all."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

from coilbench.calls import PAGE, Calls, done_once, finite
from coilbench.errors import NotReadable
from coilbench.sheet import Imported, Pickup, Session, WithoutSheet
from coilbench.whole_file import write_whole

CSV = "text/csv"


class SheetCalls(Calls):
    """What a client does with the sheets of pickups and sessions."""

    def pickups(self) -> Iterator[Pickup]:
        """Data sheets of pickups, over all pages, in the order in which they were made."""
        for item in self._transport.lines("/v1/pickups", [("limit", PAGE)]):
            yield self._read(Pickup.from_document, item, "pickup")

    def pickups_without_sheet(self) -> list[WithoutSheet]:
        """Keys of pickups that takes name and that have no sheet yet, most takes first."""
        return self._without_sheet("pickups")

    def pickup(self, key: str) -> Pickup:
        """The data sheet of one pickup.

        Parameters
        ----------
        key : of the pickup

        Raises
        ------
        NotFound : it has no sheet
        """
        return self._read(Pickup.from_document, self._transport.document("GET", _path("pickups", key)), "pickup")

    def add_pickup(self, key: str, **fields: Any) -> Pickup:
        """Make the data sheet of a pickup. Takes that name its key already inherit from it from then on.

        Parameters
        ----------
        key : short unique text, without /
        fields : construction, active, magnet, wire_awg, turns, dcr_ohm, ... as `Pickup` has them; other names are
            fields of your own

        Raises
        ------
        Conflict : there is a sheet of this key
        BadDescription : a number that is not finite
        Unprocessable : a value that the service does not take
        """
        return self._read(Pickup.from_document, self._make("pickups", key, fields), "pickup")

    def change_pickup(self, key: str, **changes: Any) -> Pickup:
        """Change the data sheet of a pickup.

        Parameters
        ----------
        key : of the pickup, which stays
        changes : fields; None removes

        Raises
        ------
        BadDescription : a number that is not finite
        Unprocessable : a value that the service does not take
        NotFound : it has no sheet
        """
        changed = self._transport.document("PATCH", _path("pickups", key), document=finite(changes))
        return self._read(Pickup.from_document, changed, "pickup")

    def remove_pickup(self, key: str) -> None:
        """Delete the data sheet of a pickup; its takes stay.

        Parameters
        ----------
        key : of the pickup

        Raises
        ------
        NotFound : it has no sheet
        """
        self._transport.request("DELETE", _path("pickups", key))

    def import_pickups(self, path: str | Path) -> Imported:
        """Make and change data sheets of pickups from a table; all rows or none.

        Parameters
        ----------
        path : CSV with a column `key` and any of the fields; an empty cell removes, a field without a column stays

        Raises
        ------
        Unprocessable : `problem.errors` names every line and column at fault; nothing was kept
        NotReadable : the file can't be read
        """
        return self._import("pickups", Path(path))

    def export_pickups(self, path: str | Path | None = None) -> str:
        """All data sheets of pickups as CSV, which can be imported again.

        Parameters
        ----------
        path : file to write it to as well, or None

        Raises
        ------
        NotSaved : can't be written there
        """
        return self._export("pickups", path)

    def sessions(self) -> Iterator[Session]:
        """Sheets of sessions, over all pages, in the order in which they were made."""
        for item in self._transport.lines("/v1/sessions", [("limit", PAGE)]):
            yield self._read(Session.from_document, item, "session")

    def sessions_without_sheet(self) -> list[WithoutSheet]:
        """Keys of sessions that takes name and that have no sheet yet, most takes first."""
        return self._without_sheet("sessions")

    def session(self, key: str) -> Session:
        """The sheet of one session.

        Parameters
        ----------
        key : of the session

        Raises
        ------
        NotFound : it has no sheet
        """
        return self._read(Session.from_document, self._transport.document("GET", _path("sessions", key)), "session")

    def add_session(self, key: str, **fields: Any) -> Session:
        """Make the sheet of a session. Takes that name its key already inherit its conditions from then on.

        Parameters
        ----------
        key : short unique text, without /
        fields : name, notes, date and `conditions`, a dictionary of what its takes inherit (guitar, strings, pick,
            player, chain, input_gain_db, ...); other names are fields of your own

        Raises
        ------
        Conflict : there is a sheet of this key
        Unprocessable : a value that the service does not take
        """
        return self._read(Session.from_document, self._make("sessions", key, fields), "session")

    def change_session(self, key: str, **changes: Any) -> Session:
        """Change the sheet of a session. Takes that inherit expected_strums or channel are measured again for it.

        Parameters
        ----------
        key : of the session, which stays
        changes : fields; None removes; within `conditions` only what is named changes

        Raises
        ------
        Unprocessable : a value that the service does not take
        NotFound : it has no sheet
        """
        changed = self._transport.document("PATCH", _path("sessions", key), document=finite(changes))
        return self._read(Session.from_document, changed, "session")

    def remove_session(self, key: str) -> None:
        """Delete the sheet of a session; its takes stay, and inherit nothing from it.

        Parameters
        ----------
        key : of the session

        Raises
        ------
        NotFound : it has no sheet
        """
        self._transport.request("DELETE", _path("sessions", key))

    def import_sessions(self, path: str | Path) -> Imported:
        """Make and change sheets of sessions from a table; all rows or none.

        Parameters
        ----------
        path : CSV with a column `key` and any of the fields; conditions stand under their own names

        Raises
        ------
        Unprocessable : `problem.errors` names every line and column at fault; nothing was kept
        NotReadable : the file can't be read
        """
        return self._import("sessions", Path(path))

    def export_sessions(self, path: str | Path | None = None) -> str:
        """All sheets of sessions as CSV, which can be imported again.

        Parameters
        ----------
        path : file to write it to as well, or None

        Raises
        ------
        NotSaved : can't be written there
        """
        return self._export("sessions", path)

    def _without_sheet(self, plural: str) -> list[WithoutSheet]:
        page = self._transport.document("GET", f"/v1/{plural}", query=[("limit", "1")])
        return [self._read(WithoutSheet.from_document, entry, "key") for entry in page.get("without_sheet") or []]

    def _make(self, plural: str, key: str, fields: dict[str, Any]) -> dict[str, Any]:
        document = {"key": key, **finite(fields)}
        return self._transport.document("POST", f"/v1/{plural}", document=document, headers=done_once())

    def _import(self, plural: str, path: Path) -> Imported:
        try:
            table = path.read_bytes()
        except OSError as cause:
            raise NotReadable(f"{path} can't be read: {cause.strerror or cause}") from cause
        done = self._transport.document("POST", f"/v1/{plural}", body=lambda: (table, CSV), headers=done_once())
        return self._read(Imported.from_document, done, "count of sheets")

    def _export(self, plural: str, path: str | Path | None) -> str:
        answer = self._transport.request("GET", f"/v1/{plural}", query=[("format", "csv")], headers={"Accept": CSV})
        if path is not None:
            write_whole(Path(path), lambda file: file.write_bytes(answer.content))
        return answer.content.decode("utf-8")


def _path(plural: str, key: str) -> str:
    return f"/v1/{plural}/{quote(key, safe='')}"

"""One figure of the report, with its aim where it has one."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table


@dataclass(frozen=True)
class Figure:
    """A measured number.

    Attributes
    ----------
    part : "speed", "memory" or "service"
    name : what was measured
    value : the number, in `unit`
    at_most : the aim; None when the number is there to be read only
    note : how it came about, briefly
    """

    part: str
    name: str
    value: float
    unit: str
    at_most: float | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the aim is met; None without one."""
        return None if self.at_most is None else self.value <= self.at_most

    def document(self) -> dict[str, Any]:
        """The figure as JSON values."""
        return {**asdict(self), "met": self.met}


def show(figures: Sequence[Figure], console: Console) -> None:
    """Print the figures as one table."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading, where in (("part", "left"), ("figure", "left"), ("value", "right"), ("aim", "right"), ("met", "left")):
        table.add_column(heading, justify=where, no_wrap=heading in ("value", "aim"))  # type: ignore[arg-type]
    table.add_column("note", overflow="fold")
    for figure in figures:
        aim = "" if figure.at_most is None else f"<= {figure.at_most:g} {figure.unit}".rstrip()
        met = {None: "", True: "yes", False: "NO"}[figure.met]
        table.add_row(figure.part, figure.name, f"{figure.value:.3g} {figure.unit}".rstrip(), aim, met, figure.note)
    console.print(table)

"""Alembic's entry: runs the steps on the connection that `store.migration` hands over, inside its transaction."""

from typing import Any, Literal

from alembic import context
from alembic.autogenerate.api import AutogenContext

from coilbench_worker.store.instants import UtcDateTime
from coilbench_worker.store.schema import metadata


def render(kind: str, item: Any, _context: AutogenContext) -> str | Literal[False]:
    """How a column type of ours is written in a new step (`script.py.mako` imports it)."""
    return "UtcDateTime()" if kind == "type" and isinstance(item, UtcDateTime) else False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
    compare_type=True,
    render_item=render,
)
with context.begin_transaction():
    context.run_migrations()

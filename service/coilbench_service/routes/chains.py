"""Input chains: made, listed, read, changed, deleted."""

from __future__ import annotations

from flask import Response, request
from flask_openapi3.blueprint import APIBlueprint
from flask_openapi3.models.tag import Tag
from pydantic import BaseModel, ConfigDict, Field, field_validator

from coilbench_service import chain_changes
from coilbench_service import problem_kinds as kinds
from coilbench_service.answers import json_answer, page_answer, tag_of
from coilbench_service.bench import Bench
from coilbench_service.chain_changes import MOST_CHARACTERS, ChainChange, NewChain, chain_unknown, existing
from coilbench_service.chain_view import Chain, ChainPage, chain_path, chain_view
from coilbench_service.conditional import require_state
from coilbench_service.openapi import Making, answers
from coilbench_service.selection import ID_PATTERN, MAX_LIMIT
from coilbench_worker.store import chains
from coilbench_worker.store.chains import ChainRecord

TAG = Tag(name="chains", description="What lies between pickup and file, and what full scale is in volts at its gains")


class ChainPath(BaseModel):
    """The chain meant."""

    chain_key: str = Field(description="Key of a chain")

    @field_validator("chain_key")
    @classmethod
    def _could_be_one(cls, key: str) -> str:
        """Keep from the database what no key can be; any Problem passes through pydantic."""
        if not key.isprintable() or len(key) > MOST_CHARACTERS:
            raise chain_unknown(key)
        return key


class ChainQuery(BaseModel):
    """A page of chains."""

    model_config = ConfigDict(extra="forbid")

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="Chains on a page")
    cursor: str | None = Field(None, description="`next` of the page before", pattern=ID_PATTERN)


def blueprint(bench: Bench) -> APIBlueprint:
    """The routes of /v1/chains."""
    api = APIBlueprint("chains", __name__, url_prefix="/v1/chains", abp_tags=[TAG])

    @api.post("", responses=answers({201: Chain}, kinds.CHAIN_EXISTS, *chain_changes.PROBLEMS))
    def add_chain(header: Making, body: NewChain) -> Response:
        """Make a chain; takes that name its key already fall under it from then on."""
        status, chain = chain_changes.add(bench, request, body, header.idempotency_key)
        return json_answer(chain, status, headers={"Location": chain_path(chain["key"])})

    @api.get("", responses=answers({200: ChainPage}))
    def list_chains(query: ChainQuery) -> Response:
        """List chains in the order in which they were made."""
        with bench.database.read() as connection:
            page = chains.page(connection, query.limit, query.cursor)
        return page_answer({"items": [chain_view(chain) for chain in page.items], "next": page.next})

    @api.get("/<chain_key>", responses=answers({200: Chain}, kinds.CHAIN_UNKNOWN, kinds.PRECONDITION_FAILED))
    def read_chain(path: ChainPath) -> Response:
        """One chain with all its calibrations."""
        return json_answer(chain_view(existing(bench, path.chain_key)), tagged=True)

    @api.patch(
        "/<chain_key>",
        responses=answers(
            {200: Chain}, kinds.CHAIN_UNKNOWN, kinds.PRECONDITION_FAILED, kinds.NOT_JSON, kinds.BROKEN_JSON
        ),
    )
    def change_chain(path: ChainPath, body: ChainChange) -> Response:
        """Change what is said of a chain (JSON merge patch, RFC 7396); its key stays."""
        return json_answer(chain_view(chain_changes.change(bench, path.chain_key, body, _require_state)))

    @api.delete("/<chain_key>", responses=answers({204: None}, kinds.CHAIN_UNKNOWN, kinds.PRECONDITION_FAILED))
    def delete_chain(path: ChainPath) -> Response:
        """Delete a chain with its calibrations and tones; its takes stay, without millivolts."""
        chain_changes.remove(bench, path.chain_key, _require_state)
        return Response(status=204)

    return api


def _require_state(chain: ChainRecord) -> None:
    require_state(request, tag=tag_of(chain_view(chain)), changed=chain.updated)

"""The tables. Migrations in `store/migrations` lead here; a test holds the two together on both databases."""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

from coilbench_worker.store.instants import UtcDateTime
from coilbench_worker.store.packed import PackedJson

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# One row for each recording by content; several takes and calibrations may share it. `blob` is its key in the blob
# store.
files = Table(
    "files",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("bytes", BigInteger, nullable=False),
    Column("blob", String(80), nullable=False),
    Column("created", UtcDateTime, nullable=False),
)

# `label`, `session` and `pickup` are copies out of `about`, for filtering. `job_id` is the job whose result counts.
takes = Table(
    "takes",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("created", UtcDateTime, nullable=False),
    Column("updated", UtcDateTime, nullable=False),
    Column("state", String(16), nullable=False),
    Column("file_name", Text, nullable=False),
    Column("file_sha256", String(64), ForeignKey("files.sha256"), nullable=False),
    Column("about", JSON, nullable=False),
    Column("label", Text),
    Column("session", Text),
    Column("pickup", Text),
    Column("settings", JSON, nullable=False),
    Column("settings_key", String(64), nullable=False),
    Column("problem", JSON(none_as_null=True)),
    Column("job_id", String(36)),
    Index(None, "state", "id"),
    Index(None, "file_sha256"),
    Index(None, "session", "id"),
    Index(None, "pickup", "id"),
    Index(None, "created", "id"),
)

# `attempt` rises with each claim and is the fence of the result; `returned` counts the claims that were handed back
# through no fault of the take, so that they don't use up its attempts. `published` is when the broker last heard of it.
# `request_id` is that of the request that asked for the measurement, for the log.
jobs = Table(
    "jobs",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("take_id", String(36), ForeignKey("takes.id", ondelete="CASCADE"), nullable=False),
    Column("settings", JSON, nullable=False),
    Column("settings_key", String(64), nullable=False),
    Column("state", String(16), nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("returned", Integer, nullable=False),
    Column("lease_until", UtcDateTime),
    Column("worker", Text),
    Column("published", UtcDateTime),
    Column("created", UtcDateTime, nullable=False),
    Column("finished", UtcDateTime),
    Column("request_id", String(64)),
    Index(None, "state", "id"),
    Index(None, "take_id"),
    Index(None, "finished"),
)

measurements = Table(
    "measurements",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("take_id", String(36), ForeignKey("takes.id", ondelete="CASCADE"), nullable=False),
    Column("settings_key", String(64), nullable=False),
    Column("version", String(32), nullable=False),
    Column("made", UtcDateTime, nullable=False),
    Column("document", JSON, nullable=False),
    Column("traces", PackedJson),
    UniqueConstraint("take_id", "settings_key", "version"),
)

# An input chain. `gain_step_uncertainty_db` is expanded (k = 2): how far its gain control keeps its steps, if stated.
# `cable` and `input_gain_db` are what its takes inherit.
chains = Table(
    "chains",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("key", Text, nullable=False),
    Column("name", Text),
    Column("notes", Text),
    Column("gain_step_uncertainty_db", Float),
    Column("created", UtcDateTime, nullable=False),
    Column("updated", UtcDateTime, nullable=False),
    Column("cable", Text),
    Column("input_gain_db", Float),
    UniqueConstraint("key"),
)

# Data sheets: `sheet` has what was said, by the names of the API, and nothing that is null. Takes name the key in their
# description; nothing here points at them, because a sheet may come after its takes and go before them.
pickups = Table(
    "pickups",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("key", Text, nullable=False),
    Column("sheet", JSON, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("updated", UtcDateTime, nullable=False),
    UniqueConstraint("key"),
)

# As pickups; what the takes of a session inherit is under `conditions` in its sheet.
sessions = Table(
    "sessions",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("key", Text, nullable=False),
    Column("sheet", JSON, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("updated", UtcDateTime, nullable=False),
    UniqueConstraint("key"),
)

# Words of players whose meaning was changed; words that stand as they came have no row.
words = Table(
    "words",
    metadata,
    Column("word", Text, primary_key=True),
    Column("items", JSON, nullable=False),
    Column("says", Text),
    Column("updated", UtcDateTime, nullable=False),
)

# What full scale is at one gain; of several at a gain the newest counts. `tone` is what was measured of the reference
# tone, and `file_sha256` the tone itself; both are null where full scale was stated.
calibrations = Table(
    "calibrations",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("chain_id", String(36), ForeignKey("chains.id", ondelete="CASCADE"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("input_gain_db", Float, nullable=False),
    Column("by", String(16), nullable=False),
    Column("full_scale_v_rms", Float, nullable=False),
    Column("budget", JSON, nullable=False),
    Column("tone", JSON(none_as_null=True)),
    Column("file_name", Text),
    Column("file_sha256", String(64), ForeignKey("files.sha256")),
    Index(None, "chain_id"),
    Index(None, "file_sha256"),
)

# An answer about a take, a chain, a calibration, a pickup or a session names it and goes with it: what is told again
# must still be there.
idempotency = Table(
    "idempotency",
    metadata,
    Column("key", String(255), primary_key=True),
    Column("request_sha256", String(64), nullable=False),
    Column("status", Integer, nullable=False),
    Column("body", JSON, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("take_id", String(36), ForeignKey("takes.id", ondelete="CASCADE")),
    Column("chain_id", String(36), ForeignKey("chains.id", ondelete="CASCADE")),
    Column("calibration_id", String(36), ForeignKey("calibrations.id", ondelete="CASCADE")),
    Column("pickup_id", String(36), ForeignKey("pickups.id", ondelete="CASCADE")),
    Column("session_id", String(36), ForeignKey("sessions.id", ondelete="CASCADE")),
    Index(None, "created"),
    Index(None, "take_id"),
    Index(None, "chain_id"),
    Index(None, "calibration_id"),
    Index(None, "pickup_id"),
    Index(None, "session_id"),
)

# Workers that are there: each reports every few seconds.
nodes = Table(
    "nodes",
    metadata,
    Column("name", String(255), primary_key=True),
    Column("processes", Integer, nullable=False),
    Column("started", UtcDateTime, nullable=False),
    Column("seen", UtcDateTime, nullable=False),
)

# What tells this database from others, in the one row at place 1 (ownership.py).
installation = Table(
    "installation",
    metadata,
    Column("place", Integer, primary_key=True, autoincrement=False),
    Column("id", String(36), nullable=False),
    Column("created", UtcDateTime, nullable=False),
)

# Who may ask. `id` is the part of a key that may be shown; of the secret only the SHA-256 is kept. `scopes` are words
# separated by spaces. The two limits are null where those of the settings hold.
keys = Table(
    "keys",
    metadata,
    Column("id", String(16), primary_key=True),
    Column("name", Text, nullable=False),
    Column("secret_sha256", String(64), nullable=False),
    Column("scopes", String(64), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("expires", UtcDateTime),
    Column("revoked", UtcDateTime),
    Column("last_used", UtcDateTime),
    Column("requests_per_minute", Integer),
    Column("upload_bytes_per_day", BigInteger),
)

# A browser that showed a key and may come back without it until `expires`; it goes with its key.
sign_ins = Table(
    "sign_ins",
    metadata,
    Column("token_sha256", String(64), primary_key=True),
    Column("key_id", String(16), ForeignKey("keys.id", ondelete="CASCADE"), nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("expires", UtcDateTime, nullable=False),
    Index(None, "key_id"),
    Index(None, "expires"),
)

# Addresses that want to be told when takes end. `secret` signs what is sent and so can't be hashed. `states` are words
# separated by spaces. `stopped` says since when nothing is sent any more, `reason` why. `failures` counts the tries
# that failed in a row, the first of them at `failing_since`; nothing is sent before `rests_until`, which also keeps two
# senders from sending at once.
callbacks = Table(
    "callbacks",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("url", Text, nullable=False),
    Column("secret", Text, nullable=False),
    Column("states", String(64), nullable=False),
    Column("session", Text),
    Column("created", UtcDateTime, nullable=False),
    Column("updated", UtcDateTime, nullable=False),
    Column("stopped", UtcDateTime),
    Column("reason", Text),
    Column("failures", Integer, nullable=False),
    Column("failing_since", UtcDateTime),
    Column("rests_until", UtcDateTime),
)

# What is to be sent, entered in the transaction that ends the take; a trial has no take. `due` is null once it is over;
# `attempt` rises with each claim, and `lease_until` bounds the claim. `status` is that of the last answer, `outcome`
# what came of the last try.
deliveries = Table(
    "deliveries",
    metadata,
    Column("id", String(36), primary_key=True),
    Column("callback_id", String(36), ForeignKey("callbacks.id", ondelete="CASCADE"), nullable=False),
    Column("take_id", String(36), ForeignKey("takes.id", ondelete="CASCADE")),
    Column("body", JSON, nullable=False),
    Column("created", UtcDateTime, nullable=False),
    Column("due", UtcDateTime),
    Column("attempt", Integer, nullable=False),
    Column("lease_until", UtcDateTime),
    Column("ended", UtcDateTime),
    Column("status", Integer),
    Column("outcome", Text),
    Index(None, "callback_id", "due"),
    Index(None, "callback_id", "id"),
    Index(None, "take_id"),
)

"""The table of problem kinds: every way in which the service says no, named once.

Each kind is an RFC 9457 problem type with the relative URI `/problems/<slug>`; the error bodies (problems.py), the
pages behind those URIs (routes/problem_kinds.py), the OpenAPI document and the tests all read this table.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ProblemKind:
    """One kind of problem: `status` is the HTTP status, `advice` the line that says what to do."""

    slug: str
    status: int
    title: str
    advice: str

    @property
    def type(self) -> str:
        """The problem type URI, relative to the service."""
        return f"/problems/{self.slug}"


_kinds: list[ProblemKind] = []


def _known(slug: str, status: int, title: str, advice: str) -> ProblemKind:
    kind = ProblemKind(slug, status, title, advice)
    _kinds.append(kind)
    return kind


BROKEN_REQUEST = _known(
    "broken-request", 400, "The request could not be understood", "Compare the request with /v1/docs and send it again."
)
BROKEN_JSON = _known(
    "broken-json", 400, "The body is not valid JSON", "Send one JSON object in UTF-8; NaN and Infinity are not JSON."
)
BROKEN_MULTIPART = _known(
    "broken-multipart",
    400,
    "The multipart body could not be taken apart",
    "Send multipart/form-data made by an HTTP library, with its boundary in Content-Type and the whole body.",
)
KEY_MISSING = _known(
    "key-missing",
    401,
    "The service needs an access key",
    "Send the header Authorization: Bearer KEY (client and command: COILBENCH_KEY); whoever runs the service makes "
    "keys with coilbench-server key make.",
)
KEY_UNKNOWN = _known(
    "key-unknown",
    401,
    "The access key opens nothing here",
    "See that the whole key was sent, to the right service; otherwise ask whoever runs the service for another one.",
)
SCOPE_MISSING = _known(
    "scope-missing",
    403,
    "The access key may not do this",
    "Use a key with the scope that is needed; coilbench-server key make, or POST /v1/keys, makes one.",
)
BEHIND_A_PROXY = _known(
    "behind-a-proxy",
    403,
    "The service is open to this machine only, and this came through a proxy",
    "Set COILBENCH_KEYS=always, start the service again, and make a key with coilbench-server key make.",
)
FOREIGN_ORIGIN = _known(
    "foreign-origin",
    403,
    "A page of another site may not call this service",
    "Call the service from a program or from its own pages.",
)
NOT_FOUND = _known("not-found", 404, "There is nothing at this address", "See /v1/docs for the addresses.")
TAKE_NOT_FOUND = _known(
    "take-not-found", 404, "There is no such take", "List the takes with GET /v1/takes; a deleted take does not return."
)
CHAIN_UNKNOWN = _known(
    "chain-unknown",
    404,
    "There is no chain of this key",
    "List the chains with GET /v1/chains, or make this one with POST /v1/chains.",
)
PICKUP_UNKNOWN = _known(
    "pickup-unknown",
    404,
    "There is no data sheet of this pickup",
    "List the sheets with GET /v1/pickups, or make this one with POST /v1/pickups; takes may name a pickup without a "
    "sheet.",
)
SESSION_UNKNOWN = _known(
    "session-unknown",
    404,
    "There is no sheet of this session",
    "List the sheets with GET /v1/sessions, or make this one with POST /v1/sessions; takes may name a session without "
    "a sheet.",
)
WORD_UNKNOWN = _known(
    "word-unknown",
    404,
    "There is no such word",
    "List the words with GET /v1/words, or say what this one means with PUT.",
)
CALIBRATION_UNKNOWN = _known(
    "calibration-unknown",
    404,
    "The chain has no such calibration",
    "GET the chain to see its calibrations; a deleted one does not return.",
)
NO_SUCH_KEY = _known(
    "no-such-key", 404, "There is no access key of this id", "List the keys with GET /v1/keys; an id is no whole key."
)
CALLBACK_UNKNOWN = _known(
    "callback-unknown",
    404,
    "There is no such call-back",
    "List the call-backs with GET /v1/callbacks; a deleted one does not return.",
)
NO_TONE = _known(
    "no-tone",
    404,
    "This calibration rests on no recorded tone",
    "Full scale was stated as a number; send a tone to /v1/chains/{key}/calibrations to have it measured.",
)
STRUM_UNKNOWN = _known(
    "strum-unknown",
    404,
    "The take has no strum of this number",
    "GET the measurement of the take to see its strums; they are counted from 1.",
)
METHOD_NOT_ALLOWED = _known(
    "method-not-allowed", 405, "This address does not take this method", "Use one of the methods in the Allow header."
)
NOT_ACCEPTABLE = _known(
    "not-acceptable",
    406,
    "None of the formats asked for can be given",
    "Ask with format= or Accept for one of those that the detail lists.",
)
NOT_MEASURED_YET = _known(
    "not-measured-yet",
    409,
    "The take has not been measured yet",
    "Ask again in a moment, or send Prefer: wait=20 to have the answer held until it is there.",
)
NOT_PICTURED = _known(
    "not-pictured",
    409,
    "The take was measured before pictures were kept",
    "Measure it again: POST to its measurement with {}; its figures stay what they are.",
)
MEASURING_FAILED = _known(
    "measuring-failed",
    409,
    "Measuring this take failed, through no fault of the recording",
    "POST an empty object to this address to have it measured again; the reference leads to the server's log.",
)
CHAIN_EXISTS = _known(
    "chain-exists",
    409,
    "There is a chain of this key",
    "Choose another key, or change the chain that is there with PATCH.",
)
PICKUP_EXISTS = _known(
    "pickup-exists",
    409,
    "There is a data sheet of this pickup",
    "Choose another key, or change the sheet that is there with PATCH.",
)
SESSION_EXISTS = _known(
    "session-exists",
    409,
    "There is a sheet of this session",
    "Choose another key, or change the sheet that is there with PATCH.",
)
LAST_ADMIN_KEY = _known(
    "last-admin-key",
    409,
    "It is the last access key that may look after keys",
    "Make another key with the scope admin first, or use coilbench-server key on the service's machine.",
)
TOO_MANY_CALLBACKS = _known(
    "too-many-callbacks",
    409,
    "There are as many call-backs as the service keeps",
    "Delete one that is no longer needed, or let one address hear of several sessions.",
)
KEY_IN_FLIGHT = _known(
    "idempotency-key-in-flight",
    409,
    "A request with this Idempotency-Key is still being answered",
    "Wait a moment and send the same request again.",
)
PRECONDITION_FAILED = _known(
    "precondition-failed",
    412,
    "What is here is not in the state that the request asked for",
    "Read it again without If-Match or If-Unmodified-Since, look at what changed, and ask with its present ETag.",
)
TOO_LARGE = _known(
    "too-large", 413, "The body is larger than the service takes", "Send a shorter recording, or raise the limit."
)
NOT_JSON = _known("not-json", 415, "The body must be JSON", "Send Content-Type: application/json with a JSON object.")
NOT_MULTIPART = _known(
    "not-multipart",
    415,
    "A recording is sent as multipart/form-data",
    "Send the recording as the part 'file' of multipart/form-data, and what is known of it as the JSON part 'about'.",
)
RANGE_NOT_SATISFIABLE = _known(
    "range-not-satisfiable",
    416,
    "The recording has no such bytes",
    "Ask for a range within the length in Content-Range.",
)
HOST_NOT_ALLOWED = _known(
    "host-not-allowed",
    421,
    "The service does not answer to this host name",
    "Use the address that coilbench-server printed, or add the name to COILBENCH_ALLOWED_HOSTS.",
)
INVALID_REQUEST = _known(
    "invalid-request", 422, "The request has values that can't be used", "Correct the fields listed under errors."
)
WISH_UNKNOWN = _known(
    "wish-unknown",
    422,
    "The wish names something that is no word and no quantity",
    "GET /v1/words lists the words, GET /v1/quantities the quantities; PUT /v1/words/{word} makes a word of your own.",
)
WISH_CONTRADICTORY = _known(
    "wish-contradictory",
    422,
    "Two parts of the wish ask for different things of one quantity",
    "Leave one of them out; GET /v1/words shows what each word asks for.",
)
CALLBACK_ADDRESS_REFUSED = _known(
    "callback-address-refused",
    422,
    "Call-backs can't be sent to this address",
    "Name an https:// address of the public internet, or have the host named in COILBENCH_CALLBACKS_ALLOWED.",
)
INVALID_ABOUT = _known(
    "invalid-about",
    422,
    "The description of the recording can't be used",
    "Correct the fields of 'about' listed under errors; it is one JSON object.",
)
SUBJECT_UNKNOWN = _known(
    "subject-unknown",
    422,
    "There is no such pickup or take to compare",
    "Name pickups as the descriptions of takes do, or ids of takes; GET /v1/takes lists both.",
)
NOTHING_TO_COMPARE = _known(
    "nothing-to-compare",
    422,
    "There is no take that can carry a comparison",
    "Read under errors why each take was left out, and record again.",
)
FIELD_UNKNOWN = _known(
    "field-unknown",
    422,
    "No sheet of the pickups has this field",
    "Name a field that sheets state; GET /v1/pickups shows them, PATCH /v1/pickups/{key} adds to one.",
)
TOO_MANY_TAKES = _known(
    "too-many-takes",
    422,
    "A comparison of so many takes is not made",
    "Name a session, or fewer pickups.",
)
CSV_FAULTY = _known(
    "csv-faulty",
    422,
    "The table has cells that can't be used",
    "Correct the lines and columns listed under errors and send the whole table again; nothing of it was kept.",
)
NO_FILE = _known("no-file", 422, "The recording is missing", "Send the recording as the part named 'file'.")
PART_TWICE = _known("part-twice", 422, "A part was sent twice", "Send one 'file' and at most one 'about' in a request.")
UNKNOWN_PART = _known(
    "unknown-part", 422, "A part has a name that is not known", "Send the parts 'file' and, if you like, 'about'."
)
TONE_UNFIT = _known(
    "tone-unfit",
    422,
    "No chain can be calibrated by this recording",
    "Mend what is listed under errors and record ten seconds of one steady 1 kHz sine anew; nothing was kept.",
)
NO_LOUDNESS = _known(
    "no-loudness",
    422,
    "The strum has no loudness to be matched",
    "Ask for it without match_lufs, as it was recorded, or for another strum.",
)
OVER_FULL_SCALE = _known(
    "over-full-scale",
    422,
    "The strum would pass full scale at this level",
    "Ask with match_lufs at most the greatest_match_lufs given here, and likewise for what is heard beside it.",
)
RECORDING_REJECTED = _known(
    "recording-rejected",
    422,
    "This recording can't be measured",
    "Read the detail, record or export the take again and send it as a new take.",
)
KEY_REUSED = _known(
    "idempotency-key-reused",
    422,
    "This Idempotency-Key belongs to another request",
    "Use a new key for every new request; repeat a key only with the very same body.",
)
HEADERS_TOO_LARGE = _known(
    "headers-too-large", 431, "The request's headers are too long", "Send shorter headers or a shorter address."
)
INTERNAL_ERROR = _known(
    "internal-error",
    500,
    "Something went wrong on our side",
    "Try again; if it stays so, look up the reference in the server's log.",
)
TONE_FAILED = _known(
    "tone-failed",
    500,
    "The tone could not be measured",
    "Send ten seconds of tone as WAV; if it stays so, look up the reference in the server's log.",
)
EXCERPT_FAILED = _known(
    "excerpt-failed",
    500,
    "The strum could not be cut out of its recording",
    "Try again; if it stays so, look up the reference in the server's log.",
)
UNKNOWN_TRANSFER_CODING = _known(
    "unknown-transfer-coding",
    501,
    "The body comes in a coding that is not taken here",
    "Send the body with a Content-Length, or with Transfer-Encoding: chunked alone.",
)
PARQUET_NOT_INSTALLED = _known(
    "parquet-not-installed",
    501,
    "This service was installed without Parquet",
    "Ask for csv or jsonl, or have the service's extra `parquet` installed: pip install 'coilbench[server,parquet]'.",
)
STORAGE_FULL = _known(
    "storage-full",
    507,
    "There is no room left for recordings",
    "Make room where the recordings are kept, or delete takes that are no longer needed, and send the take again.",
)
TOO_MANY_REQUESTS = _known(
    "too-many-requests",
    429,
    "Too many requests",
    "Go on after the seconds in Retry-After; RateLimit in every answer says how many are left.",
)
UPLOAD_QUOTA_USED = _known(
    "upload-quota-used",
    429,
    "The bytes that this key may send in a day are used up",
    "Send the recording again after the seconds in Retry-After, or have the limit of the key raised.",
)
CALLBACK_TESTED_LATELY = _known(
    "callback-tested-lately",
    429,
    "A trial was sent to this call-back a moment ago",
    "Look at its deliveries, or try again after the seconds in Retry-After.",
)
TOO_MANY_WAITING = _known(
    "too-many-waiting",
    429,
    "Too many takes are waiting to be measured",
    "Send the take again after the seconds in Retry-After; nothing of this one was kept.",
)
TOO_MANY_TONES = _known(
    "too-many-tones",
    503,
    "Too many reference tones are being measured",
    "Send the tone again after the seconds in Retry-After; nothing of this one was kept.",
)
TOO_MANY_EXCERPTS = _known(
    "too-many-excerpts",
    503,
    "Too many strums are being cut out of recordings",
    "Ask again after the seconds in Retry-After.",
)
TOO_MANY_CHARTS = _known(
    "too-many-charts",
    503,
    "Too many charts are being drawn",
    "Ask again after the seconds in Retry-After.",
)
TOO_MANY_REPORTS = _known(
    "too-many-reports",
    503,
    "Too many reports are being made",
    "Ask again after the seconds in Retry-After.",
)
TOO_MANY_QUESTIONS = _known(
    "too-many-questions",
    503,
    "Too many costly questions are being answered",
    "Ask again after the seconds in Retry-After.",
)
STORE_UNAVAILABLE = _known(
    "store-unavailable",
    503,
    "The database or the audio storage can't be reached",
    "Send the request again after the seconds in Retry-After; the server's log and coilbench-server doctor say more.",
)
NOT_READY = _known(
    "not-ready",
    503,
    "A part that the service needs is not there",
    "Look at the parts named under errors; coilbench-server doctor says more.",
)

# Refused by a look at the file's header (coilbench_worker.audio.header names the code; detail and advice come from it).
AUDIO_REFUSALS = (
    _known(
        "unreadable-recording",
        422,
        "The samples can't be decoded",
        "Play the file to see whether it is whole, then export it again.",
    ),
    _known("empty-file", 422, "The file is empty", "Export or copy the recording again and send it."),
    _known(
        "not-a-recording", 415, "The file is not a sound file", "Send a WAV, RF64, FLAC or AIFF file with linear PCM."
    ),
    _known(
        "unsupported-encoding",
        415,
        "The file holds sound in a form that is not measured",
        "Export as WAV, RF64, FLAC or AIFF with linear PCM or float samples.",
    ),
    _known(
        "too-many-channels",
        422,
        "The file has too many channels",
        "Export only the channel of the pickup, or raise the limit.",
    ),
    _known("no-samples", 422, "The file has no samples", "Export or record the take again."),
    _known("damaged-header", 422, "The file's header contradicts itself", "Export the recording again."),
    _known("too-long", 422, "The recording is longer than the service takes", "Cut it into shorter takes."),
    _known(
        "sample-rate-out-of-range",
        422,
        "The sample rate is outside what is measured",
        "Record at an ordinary rate such as 44.1, 48 or 96 kHz.",
    ),
)

# Of a take that failed; seen as the `problem` of the take, and named by coilbench_worker.jobs.problems.
_known(
    "attempts-used-up",
    500,
    "Measuring was broken off each time it was tried",
    "Look in the worker's log for the reference, mend the cause, then ask for the measurement again.",
)
_known(
    "memory-used-up",
    500,
    "Measuring needed more memory than there is",
    "Send a shorter recording, or raise COILBENCH_MEASURE_MEMORY_MIB if the machine has the memory.",
)
_known(
    "took-too-long",
    500,
    "Measuring took too long",
    "Send a shorter recording, or raise COILBENCH_SOFT_LIMIT_S and COILBENCH_HARD_LIMIT_S.",
)

# Checks (coilbench_worker.measure.checks) that can end a measurement: the `problem` of a rejected take is one of them.
# The others, of whatever severity, are findings of a take that was measured, and never a problem.
ENDING_CHECKS = ("no-strums", "too-short", "channel-choice", "not-finite")

KINDS: tuple[ProblemKind, ...] = tuple(_kinds)
BY_SLUG = {kind.slug: kind for kind in KINDS}

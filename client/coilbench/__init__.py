"""What users import: a thin client of the coilbench service.

    import coilbench

    bench = coilbench.Client()
    takes = bench.send("recordings", manifest="recordings/takes.csv")
    bench.wait(takes)
    bench.table(per="take").save("pickups.xlsx")

Errors: `coilbench.errors` draws the tree; every one is a `coilbench.CoilbenchError`.
"""

from coilbench.callback import Callback, Delivery
from coilbench.chain import BudgetLine, Calibration, Chain, Tone
from coilbench.chart import Chart, ChartKind
from coilbench.choice import Candidate, Choice, Miss, WishItem, Word, WordItem
from coilbench.client import Client
from coilbench.coil import CoilModel
from coilbench.comparison import Band, Comparison, Condition, Subject
from coilbench.errors import (
    BadAddress,
    BadDescription,
    BadManifest,
    BadRequest,
    Busy,
    CoilbenchError,
    Conflict,
    FileChanged,
    MissingLibrary,
    NoCommonLevel,
    NotAllSent,
    NotARecording,
    NotFound,
    NothingToHear,
    NothingToSend,
    NotPermitted,
    NotReachable,
    NotReadable,
    NotSaved,
    Refused,
    ServiceFault,
    StillMeasuring,
    ToneUnfit,
    TooLarge,
    TooLoud,
    UnknownFormat,
    Unprocessable,
    UnreadableAnswer,
)
from coilbench.fit import FieldFit, Fit, Point
from coilbench.groups import Group, GroupMean, Groups, Pair
from coilbench.left_out import LeftOut
from coilbench.listening import Excerpt, Listening
from coilbench.measurement import Check, CheckKind, Measurement, Quantity, Strum
from coilbench.patience import Patience
from coilbench.problem import FieldError, Problem
from coilbench.result import ComparedQuantity, Result
from coilbench.sent import Sent
from coilbench.sheet import Imported, Pickup, Session, WithoutSheet
from coilbench.study import Plan, Scatter, StudiedQuantity, Study
from coilbench.table import Column, Table
from coilbench.take import Take
from coilbench.version import VERSION

__version__ = VERSION

__all__ = [
    "BadAddress",
    "BadDescription",
    "BadManifest",
    "BadRequest",
    "Band",
    "BudgetLine",
    "Busy",
    "Calibration",
    "Callback",
    "Candidate",
    "Chain",
    "Chart",
    "ChartKind",
    "Check",
    "CheckKind",
    "Choice",
    "Client",
    "CoilModel",
    "CoilbenchError",
    "Column",
    "ComparedQuantity",
    "Comparison",
    "Condition",
    "Conflict",
    "Delivery",
    "Excerpt",
    "FieldError",
    "FieldFit",
    "FileChanged",
    "Fit",
    "Group",
    "GroupMean",
    "Groups",
    "Imported",
    "LeftOut",
    "Listening",
    "Measurement",
    "Miss",
    "MissingLibrary",
    "NoCommonLevel",
    "NotARecording",
    "NotAllSent",
    "NotFound",
    "NotPermitted",
    "NotReachable",
    "NotReadable",
    "NotSaved",
    "NothingToHear",
    "NothingToSend",
    "Pair",
    "Patience",
    "Pickup",
    "Plan",
    "Point",
    "Problem",
    "Quantity",
    "Refused",
    "Result",
    "Scatter",
    "Sent",
    "ServiceFault",
    "Session",
    "StillMeasuring",
    "Strum",
    "StudiedQuantity",
    "Study",
    "Subject",
    "Table",
    "Take",
    "Tone",
    "ToneUnfit",
    "TooLarge",
    "TooLoud",
    "UnknownFormat",
    "Unprocessable",
    "UnreadableAnswer",
    "WishItem",
    "WithoutSheet",
    "Word",
    "WordItem",
    "__version__",
]

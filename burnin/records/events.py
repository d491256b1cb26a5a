"""What a journal can hold. Each class is one kind of line; the tag stands in the line's ``kind``."""

from __future__ import annotations

from burnin.records.event_base import Event
from burnin.records.load_events import (
    EndKind,
    FaultFound,
    FaultRetried,
    LoadEnded,
    LoadsOff,
    LoadStarted,
    PulsesMeasured,
    StageEnded,
    StageOpening,
    StageStarted,
)
from burnin.records.run_events import (
    Anchor,
    CautionsAnswered,
    ChannelsDescribed,
    EarlierRun,
    FanHeader,
    FanPoint,
    FanSurvey,
    InstrumentReading,
    InventoryTaken,
    LeakHold,
    OperatorAnswered,
    OperatorStopped,
    Preflight,
    Remark,
    Resumed,
    RunClosed,
    RunOpened,
    RunRecovered,
    SafetyArmed,
    Software,
    TripLimit,
)
from burnin.records.sensor_events import (
    ChannelState,
    ClockStepped,
    KernelLine,
    SafetyTripped,
    SamplingTrouble,
    StorageTrouble,
    Sweep,
    WorkDone,
)

__all__ = [
    "Anchor",
    "AnyEvent",
    "CautionsAnswered",
    "ChannelState",
    "ChannelsDescribed",
    "ClockStepped",
    "EarlierRun",
    "EndKind",
    "Event",
    "FanHeader",
    "FanPoint",
    "FanSurvey",
    "FaultFound",
    "FaultRetried",
    "InstrumentReading",
    "InventoryTaken",
    "KernelLine",
    "LeakHold",
    "LoadEnded",
    "LoadStarted",
    "LoadsOff",
    "OperatorAnswered",
    "OperatorStopped",
    "Preflight",
    "PulsesMeasured",
    "Remark",
    "Resumed",
    "RunClosed",
    "RunOpened",
    "RunRecovered",
    "SafetyArmed",
    "SafetyTripped",
    "SamplingTrouble",
    "Software",
    "StageEnded",
    "StageOpening",
    "StageStarted",
    "StorageTrouble",
    "Sweep",
    "TripLimit",
    "WorkDone",
]

AnyEvent = (
    RunOpened
    | InventoryTaken
    | ChannelsDescribed
    | SafetyArmed
    | Preflight
    | CautionsAnswered
    | OperatorAnswered
    | InstrumentReading
    | LeakHold
    | FanSurvey
    | Remark
    | StageOpening
    | StageStarted
    | StageEnded
    | LoadStarted
    | LoadEnded
    | LoadsOff
    | FaultFound
    | FaultRetried
    | PulsesMeasured
    | ChannelState
    | SamplingTrouble
    | SafetyTripped
    | OperatorStopped
    | StorageTrouble
    | ClockStepped
    | Resumed
    | KernelLine
    | RunRecovered
    | RunClosed
    | Sweep
)

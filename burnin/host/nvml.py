"""Door to the graphics card's management library (NVML). The only module that imports it.

Every value may be missing on a given card; what a card does not have is asked once and left out.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, Final

from burnin.errors import Unreadable

_WHAT: Final = "graphics library"
_MEMORY_TEMPERATURE: Final = 82
_POWER_INSTANT: Final = 186
"""Field numbers of nvml.h (NVML_FI_DEV_MEMORY_TEMP, NVML_FI_DEV_POWER_INSTANT)."""


def _library() -> Any:  # typed as Any: the library carries no types
    import pynvml

    return pynvml


class Card:
    """One graphics card.

    Args:
        library: The management library.
        index: Number of the card.
    """

    def __init__(self, library: Any, index: int) -> None:
        self._library = library
        self._handle = library.nvmlDeviceGetHandleByIndex(index)
        self.index = index

    def text(self, function: str) -> str:
        """Return a text of the card, empty where it has none."""
        try:
            value = getattr(self._library, function)(self._handle)
        except (self._library.NVMLError, AttributeError):
            return ""
        return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)

    @property
    def name(self) -> str:
        """Name the card gives."""
        return self.text("nvmlDeviceGetName")

    @property
    def key(self) -> str:
        """What names the card for ever: its UUID, else its number."""
        return self.text("nvmlDeviceGetUUID") or f"card{self.index}"

    def value(self, name: str) -> float:
        """Return one value in the channel's unit.

        Args:
            name: A key of ``VALUES``.

        Raises:
            Unreadable: with the reason in plain words.
        """
        try:
            return VALUES[name](self._library, self._handle)
        except self._library.NVMLError as error:
            raise Unreadable(name, _reason(self._library, error)) from None
        except (AttributeError, TypeError, ValueError):
            raise Unreadable(name, "not known to the installed library") from None


def _reason(library: Any, error: Exception) -> str:
    code = getattr(error, "value", None)
    known = {
        getattr(library, "NVML_ERROR_NOT_SUPPORTED", 3): "the card does not have it",
        getattr(library, "NVML_ERROR_NO_PERMISSION", 4): "administrator's rights needed",
        getattr(library, "NVML_ERROR_GPU_IS_LOST", 15): "the card has fallen off the bus",
        getattr(library, "NVML_ERROR_TIMEOUT", 10): "the driver did not answer in time",
    }
    return known.get(code, str(error) or "refused")


def _field(library: Any, handle: Any, number: int) -> float:
    answer = library.nvmlDeviceGetFieldValues(handle, [number])[0]
    if answer.nvmlReturn != 0:
        raise library.NVMLError(answer.nvmlReturn)
    kinds = {0: "dVal", 1: "uiVal", 2: "ulVal", 3: "ullVal", 4: "sllVal", 5: "siVal", 6: "usVal"}
    return float(getattr(answer.value, kinds.get(answer.valueType, "uiVal")))


def _power_w(library: Any, handle: Any) -> float:
    """Return the instant power; the other figure is an average over about a second."""
    with contextlib.suppress(library.NVMLError, AttributeError):
        return _field(library, handle, _POWER_INSTANT) / 1000.0
    return float(library.nvmlDeviceGetPowerUsage(handle)) / 1000.0


def _reasons(library: Any, handle: Any) -> float:
    newer = getattr(library, "nvmlDeviceGetCurrentClocksEventReasons", None)
    if newer is not None:
        with contextlib.suppress(library.NVMLError):
            return float(newer(handle))
    return float(library.nvmlDeviceGetCurrentClocksThrottleReasons(handle))


VALUES: Final[dict[str, Callable[[Any, Any], float]]] = {
    "temperature": lambda library, handle: float(library.nvmlDeviceGetTemperature(handle, 0)),
    "memory-temperature": lambda library, handle: _field(library, handle, _MEMORY_TEMPERATURE),
    "slowdown-temperature": lambda library, handle: float(
        library.nvmlDeviceGetTemperatureThreshold(handle, 1)
    ),
    "shutdown-temperature": lambda library, handle: float(
        library.nvmlDeviceGetTemperatureThreshold(handle, 0)
    ),
    "power": _power_w,
    "power-limit": lambda library, handle: float(library.nvmlDeviceGetEnforcedPowerLimit(handle)) / 1000.0,
    "clock": lambda library, handle: float(library.nvmlDeviceGetClockInfo(handle, 1)),
    "memory-clock": lambda library, handle: float(library.nvmlDeviceGetClockInfo(handle, 2)),
    "load": lambda library, handle: float(library.nvmlDeviceGetUtilizationRates(handle).gpu),
    "memory-used": lambda library, handle: float(library.nvmlDeviceGetMemoryInfo(handle).used) / (1 << 30),
    "fan": lambda library, handle: float(library.nvmlDeviceGetFanSpeed(handle)),
    "reasons": _reasons,
    "corrected-errors": lambda library, handle: float(library.nvmlDeviceGetTotalEccErrors(handle, 0, 0)),
    "uncorrected-errors": lambda library, handle: float(library.nvmlDeviceGetTotalEccErrors(handle, 1, 0)),
    "link-replays": lambda library, handle: float(library.nvmlDeviceGetPcieReplayCounter(handle)),
}
"""Values by name: degC, W, MHz, percent, GiB, a bit mask, counts. Numbers of sensors and clocks are those of nvml.h."""


class Nvml:
    """The opened management library.

    Args:
        library: The library's module; the installed one by default.

    Raises:
        Unreadable: there is no library, driver or card, with the reason.
    """

    def __init__(self, library: Any = None) -> None:
        try:
            self._library = library or _library()
        except ImportError:
            raise Unreadable(_WHAT, "it is not installed (extra 'gpu')") from None
        try:
            self._library.nvmlInit()
        except self._library.NVMLError as error:
            raise Unreadable(_WHAT, f"it found no driver: {error}") from None
        self._open = True

    def cards(self) -> tuple[Card, ...]:
        """Return all cards that can be opened."""
        cards: list[Card] = []
        with contextlib.suppress(self._library.NVMLError):
            for index in range(int(self._library.nvmlDeviceGetCount())):
                with contextlib.suppress(self._library.NVMLError):
                    cards.append(Card(self._library, index))
        return tuple(cards)

    def close(self) -> None:
        """Give the library back."""
        if self._open:
            self._open = False
            with contextlib.suppress(self._library.NVMLError):
                self._library.nvmlShutdown()

# ruff: noqa: N802 - the names are those of the library it stands in for
"""A stand-in for the management library with one card; what a test takes away is not supported."""

from __future__ import annotations

from types import SimpleNamespace


class NVMLError(Exception):
    def __init__(self, value: int) -> None:
        super().__init__(f"error {value}")
        self.value = value


class FakeLibrary:
    NVMLError = NVMLError
    NVML_ERROR_NOT_SUPPORTED = 3
    NVML_ERROR_NO_PERMISSION = 4
    NVML_ERROR_GPU_IS_LOST = 15
    NVML_ERROR_TIMEOUT = 10

    def __init__(self) -> None:
        self.temperature_c = 45
        self.fields: dict[int, tuple[str, int, float]] = {82: ("uiVal", 1, 52), 186: ("uiVal", 1, 586_000)}
        self.power_mw = 474_000
        self.reasons = 0x1
        self.lost = False
        self.driver = True
        self.count = 1
        self.ecc = {0: 0, 1: 0}
        self.fan: int | None = None
        self.shut = 0
        self.uuid: object = "GPU-0000-rehearsal"

    def _alive(self) -> None:
        if self.lost:
            raise NVMLError(15)

    def nvmlInit(self):
        if not self.driver:
            raise NVMLError(9)

    def nvmlShutdown(self):
        self.shut += 1

    def nvmlDeviceGetCount(self):
        self._alive()
        return self.count

    def nvmlDeviceGetHandleByIndex(self, index):
        if index:
            raise NVMLError(4)
        return "handle"

    def nvmlDeviceGetName(self, handle):
        return b"Invented card"

    def nvmlDeviceGetUUID(self, handle):
        if isinstance(self.uuid, Exception):
            raise self.uuid
        return self.uuid

    def nvmlDeviceGetTemperature(self, handle, sensor):
        self._alive()
        assert sensor == 0
        return self.temperature_c

    def nvmlDeviceGetTemperatureThreshold(self, handle, which):
        return {0: 95, 1: 90}[which]

    def nvmlDeviceGetFieldValues(self, handle, numbers):
        (number,) = numbers
        if number not in self.fields:
            return [SimpleNamespace(nvmlReturn=3)]
        name, kind, value = self.fields[number]
        return [SimpleNamespace(nvmlReturn=0, valueType=kind, value=SimpleNamespace(**{name: value}))]

    def nvmlDeviceGetPowerUsage(self, handle):
        return self.power_mw

    def nvmlDeviceGetEnforcedPowerLimit(self, handle):
        return 700_000

    def nvmlDeviceGetClockInfo(self, handle, which):
        return {1: 1980, 2: 2619}[which]

    def nvmlDeviceGetUtilizationRates(self, handle):
        return SimpleNamespace(gpu=99, memory=40)

    def nvmlDeviceGetMemoryInfo(self, handle):
        return SimpleNamespace(used=8 << 30)

    def nvmlDeviceGetFanSpeed(self, handle):
        if self.fan is None:
            raise NVMLError(3)
        return self.fan

    def nvmlDeviceGetCurrentClocksThrottleReasons(self, handle):
        self._alive()
        return self.reasons

    def nvmlDeviceGetTotalEccErrors(self, handle, kind, counter):
        self._alive()
        return self.ecc[kind]

    def nvmlDeviceGetPcieReplayCounter(self, handle):
        raise NVMLError(3)

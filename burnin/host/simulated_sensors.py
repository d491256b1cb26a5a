"""The invented machine's changing files: sensors, clocks, counters, as text that follows the plant.

Noise is drawn from the seed, the sensor and the simulated moment (steps of 0.2 s) alone, so that the order in which
sensors are read changes nothing. Core sensors step by 1 degC like real ones.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Final

from burnin.host.simulated_plant import CORES, THROTTLE_C, Plant
from burnin.host.simulated_tree import GRAPHICS_DEVICE, STORAGE_DEVICE, Tree

_MASK: Final = (1 << 64) - 1
ENERGY_RANGE_UJ: Final = 262_143_328_850
"""Where the energy counter starts again at 0: the range of a common counter unit of 2^-14 J."""

_CPU_CHIP: Final = "/sys/devices/platform/coretemp.0/hwmon/hwmon2"
_LOOP_CHIP: Final = "/sys/devices/platform/rehearsal-loop/hwmon/hwmon3"
_BOARD_CHIP: Final = "/sys/devices/platform/rehearsal-board.656/hwmon/hwmon4"
_GRAPHICS_CHIP: Final = f"{GRAPHICS_DEVICE}/hwmon/hwmon1"
_STORAGE_CHIP: Final = f"{STORAGE_DEVICE}/nvme/nvme0/hwmon0"
_CHIPS: Final = (
    (_CPU_CHIP, "coretemp"),
    (_LOOP_CHIP, "loopctl"),
    (_BOARD_CHIP, "boardctl"),
    (_GRAPHICS_CHIP, "larchgfx"),
    (_STORAGE_CHIP, "nvme"),
)

Files = dict[str, Callable[[], bytes]]


def _mixed(value: int) -> int:
    """Return 64 well-mixed bits (the finalizer of splitmix64, public domain)."""
    value = (value + 0x9E3779B97F4A7C15) & _MASK
    value = ((value ^ (value >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    value = ((value ^ (value >> 27)) * 0x94D049BB133111EB) & _MASK
    return value ^ (value >> 31)


def noise(seed: int, sensor: int, t_s: float) -> float:
    """Return noise of mean 0 and standard deviation 1: the sum of twelve uniform numbers less 6."""
    state = _mixed(_mixed(_mixed(seed) ^ sensor) ^ int(t_s * 5.0))
    total = 0.0
    for _ in range(12):
        state = _mixed(state)
        total += state / (1 << 64)
    return total - 6.0


class _Noisy:
    """Values of the plant with noise and steps, as kernel files."""

    def __init__(self, plant: Plant, seed: int) -> None:
        self._plant = plant
        self._seed = seed
        self._sensors = 0

    def file(
        self, get: Callable[[], float], *, sigma: float, step: float, scale: float = 1000.0
    ) -> Callable[[], bytes]:
        """Return a file that shows ``get()`` with noise, rounded to ``step``, times ``scale``."""
        self._sensors += 1
        number = self._sensors
        return functools.partial(self._text, get, (sigma, step, scale), number)

    def _text(self, get: Callable[[], float], form: tuple[float, float, float], number: int) -> bytes:
        sigma, step, scale = form
        value = get()
        if value != 0.0:  # what stands still shows exactly 0
            value += sigma * noise(self._seed, number, self._plant.t_s)
        return b"%d\n" % round(round(value / step) * step * scale)


def live_files(plant: Plant, tree: Tree, seed: int) -> Files:
    """Return the changing files by path, and add the chips' fixed files and links to the tree."""
    for folder, name in _CHIPS:
        tree.put(folder, name=name)
        tree.link(f"/sys/class/hwmon/{folder.rpartition('/')[2]}", folder)
    _fixed_labels(tree)
    noisy = _Noisy(plant, seed)
    return {
        **_cpu_sensors(plant, noisy),
        **_loop_sensors(plant, noisy),
        **_other_sensors(plant, noisy),
        **_counters(plant),
        **_proc(plant),
    }


def _fixed_labels(tree: Tree) -> None:
    tree.put(
        _CPU_CHIP,
        temp1_label="Package id 0",
        temp1_max=90_000,
        temp1_crit=round(THROTTLE_C) * 1000,
        temp1_crit_alarm=0,
    )
    for core in range(CORES):
        sensor = f"temp{core + 2}"
        tree.put(_CPU_CHIP, **{f"{sensor}_label": f"Core {core}", f"{sensor}_max": 90_000,
                               f"{sensor}_crit": round(THROTTLE_C) * 1000, f"{sensor}_crit_alarm": 0})  # fmt: skip
    tree.put(_LOOP_CHIP, temp1_label="Coolant", temp1_max=50_000, temp1_crit=60_000)
    tree.put(
        _LOOP_CHIP, fan1_label="Pump", fan2_label="Radiator fan 1", fan3_label="Radiator fan 2", pwm1=153
    )
    tree.put(
        _BOARD_CHIP,
        temp1_label="Power stage",
        temp1_crit=110_000,
        temp2_label="Board",
        temp3_label="Unused input",
    )
    tree.put(
        _BOARD_CHIP,
        temp3_input=-128_000,
        in0_label="12 V rail",
        in1_label="5 V rail",
        in2_label="CPU voltage",
    )
    tree.put(_GRAPHICS_CHIP, temp1_label="GPU", temp1_max=88_000, temp1_crit=95_000, power1_label="GPU power")
    tree.put(
        _STORAGE_CHIP,
        temp1_label="Composite",
        temp1_max=83_850,
        temp1_crit=89_850,
        temp1_min=-273_150,
        temp1_alarm=0,
    )


def _cpu_sensors(plant: Plant, noisy: _Noisy) -> Files:
    files: Files = {
        f"{_CPU_CHIP}/temp1_input": noisy.file(lambda: plant.hottest_core_c, sigma=0.6, step=1.0),
    }
    for core in range(CORES):
        get = functools.partial(plant.core_c, core)
        files[f"{_CPU_CHIP}/temp{core + 2}_input"] = noisy.file(get, sigma=0.6, step=1.0)
        files[f"/sys/devices/system/cpu/cpu{core}/cpufreq/scaling_cur_freq"] = noisy.file(
            lambda: plant.clock_mhz, sigma=4.0, step=1.0
        )
    return files


def _loop_sensors(plant: Plant, noisy: _Noisy) -> Files:
    return {
        f"{_LOOP_CHIP}/temp1_input": noisy.file(lambda: plant.coolant_c, sigma=0.05, step=0.1),
        f"{_LOOP_CHIP}/fan1_input": noisy.file(lambda: plant.pump_rpm, sigma=8.0, step=1.0, scale=1.0),
        f"{_LOOP_CHIP}/fan2_input": noisy.file(lambda: plant.fan_rpm, sigma=6.0, step=1.0, scale=1.0),
        f"{_LOOP_CHIP}/fan3_input": noisy.file(lambda: plant.fan_rpm + 9.0, sigma=6.0, step=1.0, scale=1.0),
    }


def _other_sensors(plant: Plant, noisy: _Noisy) -> Files:
    return {
        f"{_BOARD_CHIP}/temp1_input": noisy.file(lambda: plant.power_stage_c, sigma=0.3, step=0.5),
        f"{_BOARD_CHIP}/temp2_input": noisy.file(lambda: plant.room_c + 9.0, sigma=0.2, step=0.5),
        f"{_BOARD_CHIP}/in0_input": noisy.file(
            lambda: 12.08 - 0.05 * plant.load.cpu, sigma=0.006, step=0.008
        ),
        f"{_BOARD_CHIP}/in1_input": noisy.file(lambda: 5.03, sigma=0.004, step=0.008),
        f"{_BOARD_CHIP}/in2_input": noisy.file(lambda: 0.95 + 0.25 * plant.load.cpu, sigma=0.004, step=0.008),
        f"{_GRAPHICS_CHIP}/temp1_input": noisy.file(lambda: plant.graphics_c, sigma=0.3, step=1.0),
        f"{_GRAPHICS_CHIP}/power1_input": noisy.file(
            lambda: plant.graphics_power_w, sigma=0.8, step=0.1, scale=1e6
        ),
        f"{_STORAGE_CHIP}/temp1_input": noisy.file(lambda: plant.storage_c + 0.15, sigma=0.3, step=1.0),
    }


def _counters(plant: Plant) -> Files:
    zone = "/sys/class/powercap/intel-rapl:0"
    files: Files = {
        f"{zone}/name": lambda: b"package-0\n",
        f"{zone}/max_energy_range_uj": lambda: b"%d\n" % ENERGY_RANGE_UJ,
        f"{zone}/energy_uj": lambda: b"%d\n" % (round(plant.cpu_energy_j * 1e6) % ENERGY_RANGE_UJ),
    }
    for core in range(CORES):
        folder = f"/sys/devices/system/cpu/cpu{core}/thermal_throttle"
        for scope in ("core", "package"):
            files[f"{folder}/{scope}_throttle_count"] = lambda: b"%d\n" % plant.throttle_count
            files[f"{folder}/{scope}_throttle_total_time_ms"] = lambda: (
                b"%d\n" % round(plant.throttle_time_s * 1e3)
            )
    return files


def _proc(plant: Plant) -> Files:
    files: Files = {
        "/proc/cpuinfo": lambda: _cpuinfo(plant),
        "/proc/uptime": lambda: b"%.2f %.2f\n" % (600.0 + plant.t_s, 4000.0),
        "/proc/loadavg": lambda: b"%.2f 0.50 0.40 1/300 4000\n" % (CORES * plant.load.cpu),
    }
    for name in ("cpu", "memory", "io"):
        files[f"/proc/pressure/{name}"] = lambda: (
            b"some avg10=0.00 avg60=0.00 avg300=0.00 total=0\nfull avg10=0.00 avg60=0.00 avg300=0.00 total=0\n"
        )
    return files


_CPUINFO: Final = """processor\t: {cpu}
vendor_id\t: Bramblewick
cpu family\t: 6
model\t\t: 1
model name\t: Bramblewick Eight B-8000 (invented)
stepping\t: 1
microcode\t: 0x10
cpu MHz\t\t: {clock:.3f}
cache size\t: 32768 KB
physical id\t: 0
siblings\t: {cores}
core id\t\t: {cpu}
cpu cores\t: {cores}
apicid\t\t: {cpu}
flags\t\t: fpu tsc msr cx8 sse sse2 ssse3 fma sse4_1 sse4_2 popcnt aes avx avx2 bmi1 bmi2 sha_ni
bogomips\t: 7200.00
clflush size\t: 64
address sizes\t: 46 bits physical, 48 bits virtual

"""


def _cpuinfo(plant: Plant) -> bytes:
    return "".join(
        _CPUINFO.format(cpu=cpu, cores=CORES, clock=plant.clock_mhz) for cpu in range(CORES)
    ).encode()

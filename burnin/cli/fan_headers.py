"""The survey of fan and pump headers before a run, where it was asked for."""

from __future__ import annotations

import argparse
from typing import Final

from burnin.cli.screen import say
from burnin.engine.fan_survey import Doors, survey_fans
from burnin.host.protocol import Host
from burnin.host.real import RealHost
from burnin.plugin.contracts import SourceSession
from burnin.records.channels import OK
from burnin.records.events import FanSurvey
from burnin.sources.hwmon import PLUGIN as HWMON

_WATCHED: Final = frozenset({"cpu_hottest", "cpu_core", "coolant", "graphics"})


def fan_survey_of(options: argparse.Namespace) -> FanSurvey | None:
    """Return what the headers did, None where no survey was asked for."""
    if not options.fan_survey:
        return None
    host = RealHost()
    say(
        "Fan and pump headers are stepped through 100, 60 and 30 % duty, one after the other; their control is restored."
    )
    watch = Heat(host)
    try:
        survey = survey_fans(
            Doors(clock=host.clock, hottest_c=watch.hottest_c, say=lambda text: say(f"  {text}"))
        )
    finally:
        watch.close()
    if survey.reason:
        say(f"Not surveyed: {survey.reason}.")
    return survey


class Heat:
    """The hottest of the sensors that matter while fans turn slowly.

    Args:
        host: The machine.
    """

    def __init__(self, host: Host) -> None:
        described = HWMON.describe(host).channels
        channels = [one for one in described if one.quantity == "temperature" and one.role in _WATCHED]
        self._session: SourceSession | None = HWMON.open(host, channels) if channels else None

    def hottest_c(self) -> float | None:
        """Return the hottest good reading, None where there is none."""
        readings = self._session.read() if self._session else ()
        good = [each.value for each in readings if each.quality == OK and each.value is not None]
        return max(good, default=None)

    def close(self) -> None:
        """Give the sensors back."""
        if self._session:
            self._session.close()

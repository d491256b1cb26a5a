from __future__ import annotations

import shlex

from burnin.calc.reproduction import reproduce_command


def test_the_command_says_everything_that_is_needed():
    command = reproduce_command(
        "march",
        (3, 1, 0),
        seed="2a",
        step=7,
        params={"march": "March C-", "on": True, "cells": 64},
        pulsed=True,
    )
    assert shlex.split(command)[1:] == [
        *("reproduce", "--load", "march", "--core", "3", "--beside", "1", "--seed", "0x2a", "--step", "7"),
        *("--param", "cells=64", "--param", "march=March C-", "--param", "on=true", "--pulsed"),
    ]


def test_a_load_of_no_core_runs_on_any():
    command = reproduce_command("storage_blocks", (), seed="0", step=0, params={}, pulsed=False)
    assert command == "burnin reproduce --load storage_blocks --seed 0x0 --step 0"

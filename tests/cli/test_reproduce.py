from __future__ import annotations

import json
import shlex

import pytest

from burnin.calc.reproduction import reproduce_command
from burnin.cli.main import build_parser, main
from burnin.cli.reproduce import cores_of, params_of, tell
from burnin.engine.prepare import Places
from burnin.engine.reproduce import Reproduced
from burnin.engine.seats import Seat
from burnin.errors import InputError
from burnin.loads.march import SPEC as MARCH
from burnin.loads.matrix import SPEC as MATRIX
from burnin.loads.storage_blocks import SPEC as STORAGE
from burnin.records.events import FaultFound

PLACES = Places(cpus=(0, 1, 2, 3), available_bytes=4 << 30)
SEATS = {
    0: Seat(core=0, kind="performance"),
    1: Seat(core=0, kind="performance"),
    2: Seat(core=1, kind="performance"),
    3: Seat(core=2, kind="efficient"),
}


def options(*words: str):
    return build_parser().parse_args(["reproduce", "--load", "matrix", "--seed", "0x2a", *words])


def test_the_printed_command_is_understood() -> None:
    command = reproduce_command("matrix", (3, 1), seed="2a", step=70, params={"n": 64}, pulsed=True)
    read = build_parser().parse_args(shlex.split(command)[1:])
    assert (read.load, read.core, read.beside, read.seed, read.step, read.pulsed) == (
        "matrix",
        3,
        1,
        42,
        70,
        True,
    )
    assert params_of(read.param, MATRIX) == {"n": 64}


def test_parameters_have_the_type_of_the_load() -> None:
    assert params_of(["values=full", "n=128"], MATRIX) == {"values": "full", "n": 128}
    assert params_of(["march=March C-"], MARCH) == {"march": "March C-"}
    with pytest.raises(InputError, match="an unknown key"):
        params_of(["size=4"], MATRIX)
    with pytest.raises(InputError, match="found the text"):
        params_of(["n=[1]"], MATRIX)


def test_the_core_beside_is_another_one_of_the_same_type() -> None:
    assert cores_of(options("--core", "0"), MATRIX, PLACES, SEATS) == (0, 2)
    assert cores_of(options("--core", "0", "--beside", "3"), MATRIX, PLACES, SEATS) == (0, 3)
    assert cores_of(options(), MATRIX, PLACES, SEATS) == (3,)
    assert cores_of(options(), STORAGE, PLACES, SEATS) == ()
    with pytest.raises(InputError, match="--core: found 9"):
        cores_of(options("--core", "9"), MATRIX, PLACES, SEATS)


def test_the_exit_code_says_whether_it_came_back(capsys) -> None:
    fault = FaultFound(load_id="l", load="matrix", stage=0, core=1, fault="wrong_result", step=7)
    assert tell(options(), Reproduced(steps={1: 20, 0: 30})) == 0
    assert "No wrong result came back (core 0 to step 30, core 1 to step 20)" in capsys.readouterr().out
    assert tell(options(), Reproduced(faults=[fault], steps={1: 20})) == 1
    assert "WRONG RESULT on core 1, step 7" in capsys.readouterr().out
    assert tell(options("--json"), Reproduced(faults=[fault], steps={None: 20})) == 1
    assert json.loads(capsys.readouterr().out)["steps"] == {"any": 20}
    assert tell(options(), Reproduced(stopped="safety", trouble="hot")) == 5
    assert "Stopped: hot" in capsys.readouterr().out
    assert tell(options(), Reproduced(stopped="operator", trouble="x")) == 4
    with pytest.raises(InputError, match="did not run to its end: dead"):
        tell(options(), Reproduced(trouble="dead"))


def test_an_unknown_load_or_number_is_told(capsys) -> None:
    assert main(["reproduce", "--load", "spin", "--seed", "1"]) == 2
    assert "--load: found 'spin'; expected one of" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["reproduce", "--load", "matrix", "--seed", "0xz"])
    assert "found '0xz'" in capsys.readouterr().err


@pytest.mark.processes
def test_a_sound_machine_brings_nothing_back(capsys) -> None:
    words = "--load digest --seed 0x2a --step 40 --param links=200 --seconds 0.5 --yes --json"
    assert main(["reproduce", *words.split()]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["came_back"], told["first"]) == (False, [])
    assert all(last > 40 for last in told["steps"].values())

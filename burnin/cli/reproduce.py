"""``burnin reproduce``: does a wrong result come back?"""

from __future__ import annotations

import argparse
import tempfile
import tomllib
from pathlib import Path
from typing import Final

from burnin.cli.equipment import everything, known_plugins, real_equipment
from burnin.cli.paperwork import answer_cautions
from burnin.cli.screen import quiet_output, say, say_json
from burnin.cli.views import fault_text, on_core
from burnin.engine.prepare import Places, memory_available_bytes, survey, take_inventory
from burnin.engine.reproduce import Reproduced, Reproduction, Wanted
from burnin.engine.seats import Seat, seat_name, seats_of
from burnin.errors import InputError, InputProblems
from burnin.host.protocol import Host
from burnin.host.real import RealHost
from burnin.plan.rules import param_problems
from burnin.plugin.contracts import LoadSpec
from burnin.records.inventory import Inventory
from burnin.records.paperwork import Workshop
from burnin.records.plan import Plan, Scalar

_SLUG: Final = "reproduce"


def reproduce(options: argparse.Namespace) -> int:
    """Repeat the work; return 1 when a wrong result comes back, 0 when none does, 4 or 5 when stopped."""
    with quiet_output(to_error=options.json):
        found = everything()
        specs = known_plugins(found).loads
        if options.load not in specs:
            names = ", ".join(sorted(specs))
            raise InputError(f"--load: found '{options.load}'; expected one of {names}", slug=_SLUG)
        spec, host = specs[options.load], RealHost()
        params = params_of(options.param, spec)
        equipment = real_equipment(host, found, ())
        inventory = take_inventory(
            host, {"cpu": equipment.probes["cpu"], "memory": equipment.probes["memory"]}
        )
        seats = seats_of(inventory)
        places = places_of(host, inventory)
        wanted = Wanted(
            load=options.load,
            params=params,
            cores=cores_of(options, spec, places, seats),
            seed=options.seed,
            step=options.step,
            span_s=options.seconds,
            pulsed=options.pulsed,
        )
        answer_cautions(options, Workshop())
        say(f"Repeating '{wanted.load}' from step {wanted.step} for {wanted.span_s:g} s{_where(wanted)}")
        plan = Plan(format=1, name="reproduce", title="Reproduce", stages=(wanted.stage,))
        channels = survey(host, equipment.sources, plan)
        with tempfile.TemporaryDirectory(prefix="burnin-") as scratch:
            bench = equipment.make_bench(inventory, Path(scratch))
            work = Reproduction(
                wanted.jobs(spec, places), wanted, bench=bench, survey=channels, clock=host.clock
            )
            done = work.run(seats)
    return tell(options, done)


def params_of(texts: list[str], spec: LoadSpec) -> dict[str, Scalar]:
    """Return the parameters given, each of the type that the load's own has.

    Raises:
        InputProblems: one is unknown or out of range.
    """
    params: dict[str, Scalar] = {}
    for text in texts:
        key, _, value = text.partition("=")
        params[key] = _value(value)
    problems = list(param_problems(params, spec.params, "--param"))
    if problems:
        raise InputProblems("command line", problems, slug=_SLUG)
    return params


def _value(text: str) -> Scalar:
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
    return value if isinstance(value, str | int | float | bool) else text


def places_of(host: Host, inventory: Inventory) -> Places:
    """Return the CPUs that may be used and the memory available."""
    live = host.live
    cpus = live.usable_cpus() if live else tuple(core.cpu for core in inventory.cpu.cores)
    return Places(cpus=cpus, available_bytes=memory_available_bytes(host))


def cores_of(
    options: argparse.Namespace, spec: LoadSpec, places: Places, seats: dict[int, Seat]
) -> tuple[int, ...]:
    """Return the suspected CPU and the one beside it, where the load's results can be compared.

    Raises:
        InputError: such a CPU cannot be used.
    """
    for name, core in (("--core", options.core), ("--beside", options.beside)):
        if core is not None and core not in places.cpus:
            usable = ", ".join(map(str, places.cpus))
            raise InputError(f"{name}: found {core}; expected a CPU that may be used: {usable}", slug=_SLUG)
    if not spec.per_core or not places.cpus:
        return ()
    core = places.cpus[-1] if options.core is None else options.core
    if options.beside is not None:
        return tuple(dict.fromkeys((core, options.beside)))
    others = [
        cpu
        for cpu in places.cpus
        if seat_name(cpu, seats) != seat_name(core, seats)
        and getattr(seats.get(cpu), "kind", "") == getattr(seats.get(core), "kind", "")
    ]
    return (core, *others[:1]) if spec.compare_digests else (core,)


def tell(options: argparse.Namespace, done: Reproduced) -> int:
    """Print what came of it; return the exit code.

    Raises:
        InputError: the load could not be run.
    """
    code = {"safety": 5, "operator": 4}.get(done.stopped, 1 if done.faults else 0)
    if done.trouble and not done.stopped:
        raise InputError(f"the load did not run to its end: {done.trouble}", slug=_SLUG)
    steps = {("any" if core is None else str(core)): done.steps[core] for core in sorted(done.steps, key=str)}
    if options.json:
        faults = [
            {"core": each.core, "step": each.step, "kind": each.fault, "values": each.values}
            for each in done.faults[:50]
        ]
        say_json({"came_back": bool(done.faults), "count": len(done.faults), "first": faults, "steps": steps})
        return code
    for each in done.faults[:10]:
        say(f"WRONG RESULT{on_core(each.core)}, step {each.step}: {fault_text(each)}")
    reached = ", ".join(f"core {core} to step {last}" for core, last in steps.items())
    if done.stopped:
        say(f"Stopped: {done.trouble}")
    elif done.faults:
        say(f"The wrong result came back, {len(done.faults)} time(s) ({reached}).")
    else:
        say(f"No wrong result came back ({reached}). One clean repetition does not clear a core.")
    return code


def _where(wanted: Wanted) -> str:
    if not wanted.cores:
        return ""
    beside = f", beside core {wanted.cores[1]}" if len(wanted.cores) > 1 else ""
    return f"{on_core(wanted.cores[0])}{beside}"

"""Finds plugins when asked, checks each at the door, and keeps the broken ones with their reason.

The only module that imports by name.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import inspect
import pkgutil
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any, Final, Literal, get_args

import burnin
from burnin.errors import BurninError, InputError
from burnin.plugin.contracts import CriterionSpec, LoadSpec, ProbeSpec, SourceSpec

Room = Literal["loads", "sources", "probes", "criteria"]
ROOMS: Final[tuple[Room, ...]] = get_args(Room)

_SPECS: Final[dict[Room, type]] = {
    "loads": LoadSpec,
    "sources": SourceSpec,
    "probes": ProbeSpec,
    "criteria": CriterionSpec,
}
_HOOKS: Final[dict[Room, tuple[tuple[str, int], ...]]] = {
    "loads": (("open", 2),),
    "sources": (("describe", 1), ("open", 2)),
    "probes": (("probe", 1),),
    "criteria": (("judge", 2),),
}
_NO_PLUGIN: Final = frozenset({"verdict"})


@dataclass(frozen=True, kw_only=True)
class Found:
    """One plugin as found.

    Attributes:
        room: Which kind.
        name: Its name in plans: the module's or the entry point's name.
        plugin: The plugin; None when broken or switched off.
        broken: Why it cannot be used; empty when it can.
        distribution: Name of the package it came in.
        version: That package's version.
    """

    room: Room
    name: str
    plugin: Any
    broken: str = ""
    distribution: str = "burnin"
    version: str = burnin.__version__

    @property
    def usable(self) -> bool:
        """Whether it can be used."""
        return self.plugin is not None and not self.broken


def discover(room: Room, switched_on: Collection[str] = ()) -> tuple[Found, ...]:
    """Return every plugin of a room by name, own ones first.

    Args:
        room: Which kind.
        switched_on: Names of third-party plugins that the plan switches on; others are listed as off.
    """
    own = [_own(room, name) for name in _module_names(room)]
    return (*own, *_third_party(room, switched_on))


def usable(room: Room, switched_on: Collection[str] = ()) -> dict[str, Any]:
    """Return name to plugin for all usable plugins of a room."""
    return {found.name: found.plugin for found in discover(room, switched_on) if found.usable}


def fetch(room: Room, name: str, switched_on: Collection[str] = ()) -> Any:
    """Return one plugin by name.

    Raises:
        InputError: there is none of that name, or it is broken.
    """
    for found in [_own(room, name)] if name in _module_names(room) else _third_party(room, switched_on):
        if found.name == name and found.usable:
            return found.plugin
        if found.name == name:
            raise InputError(f"{room} plugin '{name}' cannot be used: {found.broken}", slug="plugin-broken")
    raise InputError(f"there is no {room} plugin '{name}'", slug="plugin-unknown", hint="Run: burnin catalog")


def _module_names(room: Room) -> tuple[str, ...]:
    package = importlib.import_module(f"burnin.{room}")
    names = (module.name for module in pkgutil.iter_modules(package.__path__))
    return tuple(sorted(name for name in names if not name.startswith("_") and name not in _NO_PLUGIN))


def _own(room: Room, name: str) -> Found:
    try:
        plugin = getattr(importlib.import_module(f"burnin.{room}.{name}"), "PLUGIN", None)
    except Exception as error:  # noqa: BLE001 - whatever a plugin raises at import makes it broken, not us
        return Found(room=room, name=name, plugin=None, broken=_told(error))
    return Found(room=room, name=name, plugin=plugin, broken=fault_of(room, plugin))


def _third_party(room: Room, switched_on: Collection[str]) -> Iterator[Found]:
    for point in sorted(
        importlib.metadata.entry_points(group=f"burnin.{room}"), key=lambda point: point.name
    ):
        dist = point.dist
        origin = {
            "distribution": dist.name if dist else "unknown",
            "version": dist.version if dist else "unknown",
        }
        if point.name not in switched_on:
            yield Found(
                room=room, name=point.name, plugin=None, broken="off: no plan switches it on", **origin
            )
            continue
        try:
            plugin = point.load()
        except Exception as error:  # noqa: BLE001 - as above
            yield Found(room=room, name=point.name, plugin=None, broken=_told(error), **origin)
            continue
        yield Found(room=room, name=point.name, plugin=plugin, broken=fault_of(room, plugin), **origin)


def _told(error: Exception) -> str:
    if isinstance(error, BurninError):
        return error.message
    return f"{type(error).__name__}: {error}"


def fault_of(room: Room, plugin: object) -> str:
    """Return what is wrong with a plugin, naming object, hook and argument; empty when nothing is."""
    if plugin is None:
        return "the module exports no PLUGIN"
    name = type(plugin).__name__
    try:
        spec = plugin.spec  # type: ignore[attr-defined] # checked here
    except AttributeError:
        return f"{name} has no 'spec'"
    if not isinstance(spec, _SPECS[room]):
        return f"{name}.spec is {type(spec).__name__}, expected {_SPECS[room].__name__}"
    for hook, arguments in _HOOKS[room]:
        wrong = _hook_fault(plugin, hook, arguments)
        if wrong:
            return f"{name}.{hook} {wrong}"
    if isinstance(spec, LoadSpec) and not 0 < spec.longest_step_s <= 0.2:
        return (
            f"{name}.spec.longest_step_s is {spec.longest_step_s:g}, expected above 0 and at most 0.2 seconds"
        )
    return ""


def _hook_fault(plugin: object, hook: str, arguments: int) -> str:
    call = getattr(plugin, hook, None)
    if not callable(call):
        return "is missing or cannot be called"
    try:
        inspect.signature(call).bind(*[None] * arguments)
    except TypeError as error:
        return f"does not take {arguments} arguments ({error})"
    except ValueError:
        return ""
    return ""

"""Door to graphics cards through Vulkan (the library wgpu). The only module that imports it.

Seen on one data-centre card and on a software renderer. What was learnt there and is hidden here: waiting goes through
the mapping of a small buffer; an allocation that fails raises a validation error; without its support libraries a
driver lists no adapter and no error; the loss of a device is only logged, so every load runs in a process of its own.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.errors import BurninError

U32 = NDArray[np.uint32]

SOFTWARE_NOTE: Final = "software renderer, not a graphics card"
_KINDS: Final = {
    "DiscreteGPU": "card",
    "IntegratedGPU": "graphics in the processor",
    "VirtualGPU": "virtual card",
    "CPU": SOFTWARE_NOTE,
}
_FEATURES: Final = (
    "timestamp-query",
    "timestamp-query-inside-encoders",
    "timestamp-query-inside-passes",
)
_HOST_SIDE: Final = "mappable-primary-buffers"
_LIMITS: Final = ("max-buffer-size", "max-storage-buffer-binding-size")
_STORAGE: Final = "STORAGE|COPY_SRC|COPY_DST"
_NO_ADAPTER: Final = (
    "the Vulkan loader lists no adapter: there is no driver, or the driver's support libraries are missing "
    "(libEGL and libGLdispatch: a driver without them lists nothing and reports no error)"
)
MOST_GROUPS: Final = 65535
"""Groups along one dimension of a dispatch that every implementation takes (WebGPU, limits)."""


def _library() -> Any:  # typed as Any: what the library hands out is typed differently on every version
    try:
        import wgpu
        from wgpu.backends.wgpu_native import extras
    except ImportError:
        raise BurninError(
            "no graphics load can run: the library wgpu is not installed",
            slug="no_graphics",
            hint="Install the extra 'gpu'.",
        ) from None
    with contextlib.suppress(RuntimeError):  # it was set when this process first came here
        extras.set_instance_extras(backends=["Vulkan"])
    return wgpu


@dataclass(frozen=True, kw_only=True)
class Adapter:
    """One adapter as Vulkan shows it.

    Attributes:
        index: Its number.
        name: Name.
        kind: ``card``, ``graphics in the processor``, ``virtual card`` or ``SOFTWARE_NOTE``.
        driver: Driver with its version as it states it.
        vendor_id: PCI vendor number.
        device_id: PCI device number; equal cards have equal numbers.
        software: True for a software renderer, which never passes for a card.
    """

    index: int
    name: str
    kind: str
    driver: str
    vendor_id: int
    device_id: int
    software: bool


def _raw_adapters() -> tuple[Any, list[Any]]:
    library = _library()
    try:
        raw = list(library.gpu.enumerate_adapters_sync())
    except (RuntimeError, OSError) as error:
        raise BurninError(f"no graphics load can run: {error}", slug="no_graphics", hint=_HINT) from None
    return library, raw


_HINT: Final = "Install the card's driver and the Vulkan loader with libegl1 and libglvnd0."


def _facts(index: int, raw: Any) -> Adapter:
    info = dict(raw.info)
    kind = str(info.get("adapter_type", ""))
    return Adapter(
        index=index,
        name=str(info.get("device", "")),
        kind=_KINDS.get(kind, "adapter of unknown kind"),
        driver=str(info.get("description", "")),
        vendor_id=int(info.get("vendor_id", 0)),
        device_id=int(info.get("device_id", 0)),
        software=kind == "CPU",
    )


def adapters() -> tuple[Adapter, ...]:
    """Return every adapter; empty where the loader lists none.

    Raises:
        BurninError: the library is not installed or cannot start.
    """
    return tuple(_facts(index, raw) for index, raw in enumerate(_raw_adapters()[1]))


def open_card(index: int = 0, *, host_side: bool = False) -> Card:
    """Open adapter ``index``, counting real cards first and software renderers last.

    Args:
        index: Number of the adapter.
        host_side: Ask for buffers in the machine's memory. Only for what needs them: with it, buffers that found no
            room on the card seen went into the machine's memory without a word.

    Raises:
        BurninError: there is no such adapter, or it cannot be opened.
    """
    library, raw = _raw_adapters()
    order = sorted(range(len(raw)), key=lambda place: _facts(place, raw[place]).software)
    if not order:
        raise BurninError(f"no graphics load can run: {_NO_ADAPTER}", slug="no_graphics", hint=_HINT)
    if index >= len(order):
        raise BurninError(
            f"no graphics card {index}: the machine shows {len(order)}, counted from 0",
            slug="no_graphics",
            hint="Set the parameter 'card' in the plan.",
        )
    chosen = raw[order[index]]
    facts = _facts(order[index], chosen)
    wanted = (*_FEATURES, _HOST_SIDE) if host_side else _FEATURES
    features = [name for name in wanted if name in chosen.features]
    limits = {name: chosen.limits[name] for name in _LIMITS}
    try:
        device = chosen.request_device_sync(required_features=features, required_limits=limits)
    except (RuntimeError, library.GPUError) as error:
        raise BurninError(
            f"{facts.name}: the driver does not open it: {error}", slug="no_graphics", hint=_HINT
        ) from None
    return Card(library, device, facts)


class Card:
    """An opened adapter.

    Args:
        library: The graphics library.
        device: Its device.
        facts: What the adapter says about itself.
    """

    def __init__(self, library: Any, device: Any, facts: Adapter) -> None:
        self._library, self.device, self.facts = library, device, facts
        features = set(device.features)
        self.timed = "timestamp-query" in features
        self.timed_between = "timestamp-query-inside-encoders" in features
        self.host_visible = _HOST_SIDE in features
        self.most_buffer_bytes = int(device.limits["max-buffer-size"])
        self.most_binding_bytes = int(device.limits["max-storage-buffer-binding-size"])
        self.tick_ns = self._tick_ns()
        self._spare: dict[int, list[Any]] = {}

    def _tick_ns(self) -> float:
        """Return the length of one tick of the card's clock; 1 where the library does not tell."""
        try:
            from wgpu.backends.wgpu_native import lib

            period = float(lib.wgpuQueueGetTimestampPeriod(self.device.queue._internal))  # noqa: SLF001 - no other way
        except (AttributeError, ImportError):
            return 1.0
        return period if period > 0 else 1.0

    def storage(self, size_bytes: int) -> Any:
        """Return a buffer in the card's memory that kernels read and write."""
        return self.device.create_buffer(size=-(-size_bytes // 16) * 16, usage=_STORAGE)

    def try_storage(self, size_bytes: int) -> Any | None:
        """Return a buffer as above, None when the card has no such room."""
        try:
            return self.storage(size_bytes)
        except (self._library.GPUError, RuntimeError):
            return None

    def host_side(self, size_bytes: int) -> Any:
        """Return a buffer in the machine's memory that the card copies from and to."""
        return self.device.create_buffer(size=size_bytes, usage="MAP_READ|COPY_SRC|COPY_DST")

    def filled(self, values: NDArray[Any]) -> Any:
        """Return a buffer in the card's memory holding ``values``."""
        buffer = self.storage(values.nbytes)
        self.write(buffer, values)
        return buffer

    def write(self, buffer: Any, values: NDArray[Any], offset: int = 0) -> None:
        """Write ``values`` before whatever is sent next."""
        self.device.queue.write_buffer(buffer, offset, np.ascontiguousarray(values))

    def read(self, buffer: Any, offset: int, size_bytes: int) -> U32:
        """Return words of a buffer after everything sent so far; slow, for few bytes."""
        return np.frombuffer(self.device.queue.read_buffer(buffer, offset, size_bytes), dtype=np.uint32)

    def kernel(self, code: str, entry: str = "main") -> Any:
        """Return a compiled kernel."""
        module = self.device.create_shader_module(code=code)
        return self.device.create_compute_pipeline(
            layout="auto", compute={"module": module, "entry_point": entry}
        )

    def bind(self, kernel: Any, *resources: Any) -> Any:
        """Return the kernel's resources (buffers or texture views), by their place in group 0."""
        entries = [
            {"binding": place, "resource": {"buffer": each} if hasattr(each, "map_state") else each}
            for place, each in enumerate(resources)
        ]
        return self.device.create_bind_group(layout=kernel.get_bind_group_layout(0), entries=entries)

    def batch(self, *, stamps: int = 0) -> Batch:
        """Return an empty list of commands with room for ``stamps`` time stamps."""
        return Batch(self, stamps if self.timed else 0)

    def staging(self, size_bytes: int) -> Any:
        """Return a buffer to read results from; give it back with ``spare``."""
        ready = self._spare.get(size_bytes)
        if ready:
            return ready.pop()
        return self.device.create_buffer(size=size_bytes, usage="MAP_READ|COPY_DST")

    def spare(self, staging: Any) -> None:
        """Take a buffer for results back."""
        self._spare.setdefault(int(staging.size), []).append(staging)

    def close(self) -> None:
        """Give the card back."""
        self._spare.clear()
        self.device.destroy()


class Batch:
    """A list of commands that is sent in one piece.

    Args:
        card: The card.
        stamps: Room for time stamps, 0 for none.
    """

    def __init__(self, card: Card, stamps: int) -> None:
        self._card, self._stamps = card, stamps
        self.encoder = card.device.create_command_encoder()
        self._queries = card.device.create_query_set(type="timestamp", count=stamps) if stamps else None

    def marks(self, first: int) -> dict[str, Any] | None:
        """Return what makes a pass note its beginning and end as stamps ``first`` and ``first + 1``."""
        if self._queries is None:
            return None
        return {
            "query_set": self._queries,
            "beginning_of_pass_write_index": first,
            "end_of_pass_write_index": first + 1,
        }

    def run(self, kernel: Any, bound: Any, groups: int, *, first_stamp: int | None = None) -> None:
        """Run a kernel over ``groups`` groups in a pass of its own.

        Groups beyond the limit of one dimension go into the second; the kernel counts with both.
        """
        self.run_many(kernel, [(bound, groups)], first_stamp=first_stamp)

    def run_many(
        self, kernel: Any, runs: Sequence[tuple[Any, int]], *, first_stamp: int | None = None
    ) -> None:
        """Run a kernel several times in one pass, each time with its own resources and groups."""
        marks = None if first_stamp is None else self.marks(first_stamp)
        compute = self.encoder.begin_compute_pass(timestamp_writes=marks)
        compute.set_pipeline(kernel)
        for bound, groups in runs:
            rows = -(-groups // MOST_GROUPS)
            compute.set_bind_group(0, bound)
            compute.dispatch_workgroups(-(-groups // rows), rows)
        compute.end()

    def copy(self, source: Any, target: Any, size_bytes: int, *, offset: int = 0) -> None:
        """Copy bytes at ``offset`` of one buffer to the same place of another."""
        self.encoder.copy_buffer_to_buffer(source, offset, target, offset, size_bytes)

    def clear(self, buffer: Any) -> None:
        """Set a buffer to zero."""
        self.encoder.clear_buffer(buffer)

    def stamp(self, place: int) -> None:
        """Note the time between two commands, where the card can."""
        if self._queries is not None and self._card.timed_between:
            from wgpu.backends.wgpu_native.extras import write_timestamp

            write_timestamp(self.encoder, self._queries, place)

    def send(self, *results: tuple[Any, int]) -> Ticket:
        """Send everything; ``results`` are buffers and how many bytes of each come back."""
        sizes = [size for _, size in results]
        at = -(-sum(sizes) // 256) * 256
        staging = self._card.staging(max(at + 8 * self._stamps, 8))
        place = 0
        for buffer, size in results:
            self.encoder.copy_buffer_to_buffer(buffer, 0, staging, place, size)
            place += size
        if self._queries is not None:
            resolved = self._card.device.create_buffer(size=8 * self._stamps, usage="QUERY_RESOLVE|COPY_SRC")
            self.encoder.resolve_query_set(self._queries, 0, self._stamps, resolved, 0)
            self.encoder.copy_buffer_to_buffer(resolved, 0, staging, at, 8 * self._stamps)
        self._card.device.queue.submit([self.encoder.finish()])
        return Ticket(self._card, staging, sizes, stamps_at=at if self._queries is not None else None)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What came back.

    Attributes:
        results: Words of each result asked for.
        stamps_ns: Time stamps on the card's own clock, nanoseconds; empty where it has none.
    """

    results: tuple[U32, ...]
    stamps_ns: NDArray[np.float64]

    def span_ms(self, first: int = 0) -> float | None:
        """Return the time between stamps ``first`` and ``first + 1``, None where there are none."""
        if len(self.stamps_ns) < first + 2:
            return None
        return float(self.stamps_ns[first + 1] - self.stamps_ns[first]) / 1e6


class Ticket:
    """Commands on their way.

    Args:
        card: The card.
        staging: Buffer with the results.
        sizes: Bytes of each result.
        stamps_at: Where the time stamps begin, None for none.
    """

    def __init__(self, card: Card, staging: Any, sizes: Sequence[int], *, stamps_at: int | None) -> None:
        self._card, self._staging, self._sizes, self._stamps_at = card, staging, sizes, stamps_at
        self._mapping = staging.map_async("READ")

    def wait(self) -> Answer:
        """Wait for the end and return what came back; once only."""
        self._mapping.sync_wait()
        data = np.frombuffer(self._staging.read_mapped(), dtype=np.uint8)
        self._staging.unmap()
        self._card.spare(self._staging)
        results, place = [], 0
        for size in self._sizes:
            results.append(data[place : place + size].view(np.uint32))
            place += size
        stamps = np.empty(0) if self._stamps_at is None else data[self._stamps_at :].view(np.uint64)
        first = stamps[0] if len(stamps) else 0
        return Answer(
            results=tuple(results), stamps_ns=(stamps - first).astype(np.float64) * self._card.tick_ns
        )

"""What goes through the pipes between the supervisor and its workers and samplers, and how it is framed."""

from __future__ import annotations

import os
import selectors
import struct
import time
from collections.abc import Sequence
from typing import Final, Generic, TypeVar

import msgspec

from burnin.engine.schedule import Pace
from burnin.records.base import LooseRecord
from burnin.records.channels import Channel
from burnin.records.plan import Scalar

M = TypeVar("M")
_HEAD: Final = struct.Struct("<I")
MOST_BYTES: Final = 16 << 20


class Message(LooseRecord, tag_field="m", frozen=True, kw_only=True):
    """Base of everything that goes through a pipe."""


class SetUp(Message, tag="set_up", frozen=True, kw_only=True):
    """First message to a worker: what to open, where."""

    load_id: str
    load: str
    params: dict[str, Scalar]
    core: int | None
    seed: int
    instance: int
    instances: int
    memory_bytes: int
    cache_bytes: int
    dram_limit_gb_s: float
    step_budget_s: float
    scratch: str
    supervisor_pid: int
    plugins: tuple[str, ...] = ()
    first_step: int = 0


class Go(Message, tag="go", frozen=True, kw_only=True):
    """Work at this pace from now on."""

    pace: Pace


class Finish(Message, tag="finish", frozen=True, kw_only=True):
    """Check what is unchecked, then report settled."""


class Stop(Message, tag="stop", frozen=True, kw_only=True):
    """Stop and leave."""


class Lease(Message, tag="lease", frozen=True, kw_only=True):
    """The supervisor is alive; without one for some seconds the receiver ends itself."""


ToWorker = SetUp | Go | Finish | Stop | Lease


class Ready(Message, tag="ready", frozen=True, kw_only=True):
    """The load is open."""

    pid: int
    unit: str
    notes: dict[str, Scalar]


class Checkpoint(LooseRecord, array_like=True, frozen=True, kw_only=True):
    """Fold of the results of a window of steps up to and with one step; equal on every core for equal seeds."""

    step: int
    digest: int


class Edge(LooseRecord, array_like=True, frozen=True, kw_only=True):
    """How late one pulse began (first step) and ended (last step), in microseconds; early is negative."""

    pulse: int
    on_late_us: int
    off_late_us: int


class Progress(Message, tag="progress", frozen=True, kw_only=True):
    """Totals so far; also the heartbeat."""

    steps: int
    amount: float
    digest: int
    checkpoints: tuple[Checkpoint, ...] = ()
    edges: tuple[Edge, ...] = ()


class Wrong(Message, tag="wrong", frozen=True, kw_only=True):
    """A wrong result."""

    fault: str
    step: int
    values: dict[str, Scalar]


class Settled(Message, tag="settled", frozen=True, kw_only=True):
    """Nothing is left unchecked."""


class Leaving(Message, tag="leaving", frozen=True, kw_only=True):
    """Last message: why, and when the last load instruction was."""

    how: str
    last_ns: int
    detail: str = ""


FromWorker = Ready | Progress | Wrong | Settled | Leaving


class SampleSetUp(Message, tag="sample_set_up", frozen=True, kw_only=True):
    """First message to a sampler.

    Attributes:
        root: Root of the machine tree; ``/`` for this machine.
        sources: Source name to the channels it reads; columns follow in this order.
        columns: Column number of each channel, in the order of ``sources``.
        period_ns: Time between sweeps.
        start_ns: Time of the first sweep.
        supervisor_pid: Whose child this is.
        plugins: Third-party plugins switched on.
    """

    root: str
    sources: dict[str, tuple[Channel, ...]]
    columns: tuple[int, ...]
    period_ns: int
    start_ns: int
    supervisor_pid: int
    plugins: tuple[str, ...] = ()


class Swept(Message, tag="swept", frozen=True, kw_only=True):
    """One sweep, in the order of ``SampleSetUp.columns``.

    Attributes:
        at_ns: Monotonic time at which reading began.
        late_ns: How much later than scheduled.
        took_ns: How long reading took.
        values: Values, None where missing.
        quality: Quality codes.
        changes: Position to reason, for readings that changed their quality.
    """

    at_ns: int
    late_ns: int
    took_ns: int
    values: tuple[float | None, ...]
    quality: tuple[int, ...]
    changes: dict[int, str] = {}


ToSampler = SampleSetUp | Stop | Lease
FromSampler = Swept | Leaving


class Link(Generic[M]):
    """One end of a pair of pipes that carries framed messages.

    Args:
        read_fd: Descriptor to read from; made non-blocking.
        write_fd: Descriptor to write to; stays blocking.
        incoming: Union of the message types that may arrive.
    """

    def __init__(self, read_fd: int, write_fd: int, incoming: object) -> None:
        os.set_blocking(read_fd, False)
        self.read_fd = read_fd
        self.write_fd = write_fd
        self.closed = False
        self._buffer = bytearray()
        self._put_back: list[M] = []
        self._decoder = msgspec.msgpack.Decoder(incoming)
        self._encoder = msgspec.msgpack.Encoder()

    def send(self, message: Message) -> bool:
        """Send one message; False when the other end is gone."""
        data = self._encoder.encode(message)
        frame = _HEAD.pack(len(data)) + data
        try:
            while frame:
                frame = frame[os.write(self.write_fd, frame) :]
        except (BrokenPipeError, BlockingIOError, OSError):
            return False
        return True

    def receive(self) -> list[M]:
        """Return every whole message that has arrived; ``closed`` tells that no more will."""
        self._fill()
        messages, self._put_back = self._put_back, []
        while len(self._buffer) >= _HEAD.size:
            (size,) = _HEAD.unpack_from(self._buffer)
            if size > MOST_BYTES:
                self.closed = True
                break
            end = _HEAD.size + size
            if len(self._buffer) < end:
                break
            messages.append(self._decoder.decode(bytes(self._buffer[_HEAD.size : end])))
            del self._buffer[:end]
        return messages

    def put_back(self, messages: Sequence[M]) -> None:
        """Let messages be received again, before any others."""
        self._put_back = [*messages, *self._put_back]

    def _fill(self) -> None:
        while not self.closed:
            try:
                data = os.read(self.read_fd, 1 << 16)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self.closed = True
                return
            self._buffer += data
            if len(data) < 1 << 16:
                return

    def wait(self, seconds: float) -> bool:
        """Wait until something can be read, at most ``seconds``; True when it can."""
        if self.closed or self._put_back:
            return True
        with selectors.DefaultSelector() as selector:
            selector.register(self.read_fd, selectors.EVENT_READ)
            return bool(selector.select(max(0.0, seconds)))

    def close(self) -> None:
        """Close both descriptors."""
        for descriptor in {self.read_fd, self.write_fd}:
            try:
                os.close(descriptor)
            except OSError:
                continue
        self.closed = True


def first_message(link: Link[M], seconds: float) -> M | None:
    """Return the first message, None when none comes within ``seconds``; what came with it is put back."""
    deadline = time.monotonic() + seconds
    while not link.closed and time.monotonic() < deadline:
        link.wait(0.2)
        messages = link.receive()
        if messages:
            link.put_back(messages[1:])
            return messages[0]
    return None

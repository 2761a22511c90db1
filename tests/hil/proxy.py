"""A Modbus TCP proxy that does mischief to what passes: loses, delays, doubles, changes and replays frames.

It stands between a master and a server, both on this machine. A frame is what the header's length says
(MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3); what does not look like one passes as it is.
A request of a master that has hung up is dropped, as a connection that is gone carries nothing.
"""

from __future__ import annotations

import asyncio
import random
import threading
from collections import Counter, deque
from collections.abc import Coroutine, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Self

_HEADER, _ID_BYTES, _UNIT_AT, _FUNCTION_AT = 7, 2, 6, 7
_READS, _WRITE_MANY = (3, 4), 16
_BUSY_CODES = (2, 4, 6)  # illegal address, device failure, device busy


class Mischief(StrEnum):
    """What is done to the frames that are struck."""

    DELAY = "answer is late"
    LOSE_REQUEST = "request is lost"
    LOSE_ANSWER = "answer is lost"
    HALF_OPEN = "connection stays open, nothing passes"
    CUT = "connection is cut and refused"
    REPLAY = "old answer under the new number"
    STALE = "old answer under its old number first"
    GARBLE = "frame is damaged"
    DUPLICATE = "answer comes twice"
    WRONG_ID = "answer under another number"
    FOREIGN = "answer of another device"
    SWAP = "words of 32 bits are swapped"
    EXCEPTION = "exception 02, 04 or 06"
    ECHO = "write is echoed and not passed on"
    MASK = "some output bits are echoed and not passed on"


_AT_REQUEST = frozenset({Mischief.LOSE_REQUEST, Mischief.ECHO, Mischief.EXCEPTION, Mischief.MASK})
_AT_LINK = frozenset({Mischief.HALF_OPEN, Mischief.CUT})
_HARMLESS = frozenset({Mischief.DUPLICATE, Mischief.STALE})  # the true answer comes all the same


@dataclass(frozen=True)
class Rule:
    """One mischief: at which device (None for all), at which share of its frames.

    ``delay_s`` is for DELAY, from nothing up to so much; ``mask`` for MASK, the bits of register 2 that do
    not reach the device; ``code`` the exception, 0 for any.
    """

    what: Mischief
    unit_id: int | None = None
    share: float = 1.0
    delay_s: float = 0.0
    mask: int = 0
    code: int = 0

    def strikes(self, unit_id: int, rng: random.Random) -> bool:
        """Whether it strikes this frame."""
        return self.unit_id in (None, unit_id) and rng.random() < self.share


class ProxyThread:
    """An event loop in a thread of its own, for any number of proxies."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, name="proxies", daemon=True)
        self._thread.start()

    def run(self, work: Coroutine[Any, Any, Any]) -> Any:
        """What the coroutine gives, from any other thread."""
        future: Future[Any] = asyncio.run_coroutine_threadsafe(work, self.loop)
        return future.result(5.0)

    def close(self) -> None:
        """End the loop; proxies must be closed before."""
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join()
        self.loop.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_raised: object) -> None:
        self.close()


class Proxy:
    """Listens on a free port of 127.0.0.1 in front of ``upstream_port``.

    ``rules`` may be replaced by any thread at any time (``set_rules``); ``struck`` counts what was done.
    """

    def __init__(self, thread: ProxyThread, upstream_port: int, seed: int) -> None:
        self.struck: Counter[Mischief] = Counter()
        self.rng = random.Random(seed)
        self.upstream_port = upstream_port
        self.rules: tuple[Rule, ...] = ()
        self.last: dict[int, bytes] = {}  # by unit id, the last read answer that passed unharmed
        self.kept: dict[int, bytes] = {}  # by unit id, what is replayed; kept while such a rule stands
        self._thread = thread
        self._open: set[_Near] = set()
        self._server: asyncio.Server = thread.run(self._listen())
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def _listen(self) -> asyncio.Server:
        return await asyncio.get_running_loop().create_server(lambda: _Near(self), "127.0.0.1", 0)

    def set_rules(self, rules: Sequence[Rule]) -> None:
        """From now on these rules; connections are cut when one says so.

        An answer is struck once. Where two rules meet, one that lets the true answer pass must not shield it
        from the other.
        """
        self.rules = tuple(sorted(rules, key=lambda rule: rule.what in _HARMLESS))
        self._thread.loop.call_soon_threadsafe(self._look)

    def close(self) -> None:
        """Listen no more, close what is open."""
        self._thread.run(self._close())

    async def _close(self) -> None:
        self._server.close()
        for near in tuple(self._open):
            near.end()

    def _look(self) -> None:
        if not any(rule.what in (Mischief.REPLAY, Mischief.STALE) for rule in self.rules):
            self.kept.clear()
        if self.rule_of(Mischief.CUT):
            for near in tuple(self._open):
                near.end()

    def rule_of(self, what: Mischief) -> Rule | None:
        """The rule of that kind that stands."""
        return next((rule for rule in self.rules if rule.what is what), None)

    def joined(self, near: _Near) -> None:
        """A master has connected."""
        if self.rule_of(Mischief.CUT):
            self.struck[Mischief.CUT] += 1
            near.end()
        else:
            self._open.add(near)

    def left(self, near: _Near) -> None:
        """It has hung up."""
        self._open.discard(near)

    # --- what happens to a frame; both give what is sent on, and where ------------------------------------

    def of_request(self, frame: bytes) -> tuple[list[bytes], list[bytes]]:
        """(to the device, back to the master) for a request."""
        if self.rule_of(Mischief.HALF_OPEN):
            self.struck[Mischief.HALF_OPEN] += 1
            return [], []
        for rule in self.rules:
            if rule.what in _AT_REQUEST and rule.strikes(frame[_UNIT_AT], self.rng):
                done = self._request(rule, frame)
                if done is not None:
                    self.struck[rule.what] += 1
                    return done
        return [frame], []

    def _request(self, rule: Rule, frame: bytes) -> tuple[list[bytes], list[bytes]] | None:
        function = frame[_FUNCTION_AT]
        if rule.what is Mischief.LOSE_REQUEST:
            return [], []
        if rule.what is Mischief.EXCEPTION:
            code = rule.code or self.rng.choice(_BUSY_CODES)
            return [], [_with_pdu(frame, bytes((function | 0x80, code)))]
        if function != _WRITE_MANY:
            return None
        if rule.what is Mischief.ECHO:
            return [], [_with_pdu(frame, frame[_FUNCTION_AT : _FUNCTION_AT + 5])]
        at = _FUNCTION_AT + 6 + 2 * 2  # register 2, which holds the contacts
        word = int.from_bytes(frame[at : at + 2], "big") & ~rule.mask
        return [frame[:at] + word.to_bytes(2, "big") + frame[at + 2 :]], []

    def of_answer(self, frame: bytes) -> tuple[list[bytes], float]:
        """What is sent to the master for an answer, and after how long."""
        if self.rule_of(Mischief.HALF_OPEN):
            return [], 0.0
        is_read = frame[_FUNCTION_AT] in _READS
        delay_s, frames = 0.0, [frame]
        for rule in self.rules:
            if rule.what in _AT_REQUEST or rule.what in _AT_LINK:
                continue
            if not rule.strikes(frame[_UNIT_AT], self.rng):
                continue
            if rule.what is Mischief.DELAY:
                delay_s += self.rng.uniform(0.0, rule.delay_s)
                self.struck[rule.what] += 1
                continue
            done = self._answer(rule.what, frame, is_read)
            if done is not None:
                frames = done
                self.struck[rule.what] += 1
                break
        else:
            if is_read:
                self.last[frame[_UNIT_AT]] = frame
        return frames, delay_s

    def _answer(self, what: Mischief, frame: bytes, is_read: bool) -> list[bytes] | None:
        if what is Mischief.LOSE_ANSWER:
            return []
        if what is Mischief.DUPLICATE:
            return [frame, frame]
        if what is Mischief.WRONG_ID:
            return [_with_id(frame, (_id_of(frame) + self.rng.choice((1, -1, 300))) % 0x10000)]
        if what is Mischief.GARBLE:
            return [self._garbled(frame)]
        if not is_read:
            return None
        if what in (Mischief.REPLAY, Mischief.STALE):
            kept = self.kept.setdefault(frame[_UNIT_AT], self.last.get(frame[_UNIT_AT], frame))
            return [_with_id(kept, _id_of(frame))] if what is Mischief.REPLAY else [kept, frame]
        if what is Mischief.FOREIGN:
            others = [last for unit, last in self.last.items() if unit != frame[_UNIT_AT]]
            if not others:
                return None
            # one of the same length is the worse lie; the bank's has a length of its own
            alike = [other for other in others if len(other) == len(frame)]
            return [_with_pdu(frame, self.rng.choice(alike or others)[_FUNCTION_AT:])]
        if what is Mischief.SWAP:
            return [_swapped(frame)]
        return None

    def _garbled(self, frame: bytes) -> bytes:
        """Damage that a checksum of TCP would not have let pass, but a broken gateway makes."""
        how = self.rng.randrange(5)
        if how == 0:  # cut short
            return frame[: self.rng.randrange(1, len(frame))]
        if how == 1:  # junk before
            return bytes(self.rng.randrange(256) for _ in range(self.rng.randrange(1, 6))) + frame
        if how == 2:  # a protocol that is none
            return frame[:2] + bytes((0x13, 0x37)) + frame[4:]
        if how == 3:  # a length that is wrong
            return frame[:4] + self.rng.randrange(1, 0x10000).to_bytes(2, "big") + frame[_UNIT_AT:]
        return frame[:_FUNCTION_AT] + bytes(((frame[_FUNCTION_AT] + 1) % 128,)) + frame[_FUNCTION_AT + 1 :]


def _id_of(frame: bytes) -> int:
    return int.from_bytes(frame[:_ID_BYTES], "big")


def _with_id(frame: bytes, number: int) -> bytes:
    return number.to_bytes(2, "big") + frame[_ID_BYTES:]


def _with_pdu(frame: bytes, pdu: bytes) -> bytes:
    """An answer to a request, with this content."""
    return frame[:4] + (len(pdu) + 1).to_bytes(2, "big") + frame[_UNIT_AT : _UNIT_AT + 1] + pdu


def _swapped(frame: bytes) -> bytes:
    """Registers change places in twos, from the fourth one on: life, marks and identity stay where they are.

    So the known value alone can show it.
    """
    registers = frame[_FUNCTION_AT + 2 :]
    words = [registers[i : i + 2] for i in range(0, len(registers), 2)]
    for i in range(4, len(words) - 1, 2):
        words[i], words[i + 1] = words[i + 1], words[i]
    return frame[: _FUNCTION_AT + 2] + b"".join(words)


class _Frames:
    """Cuts a stream into frames; what cannot be one is passed on as it came."""

    def __init__(self) -> None:
        self._buffer = b""

    def feed(self, data: bytes) -> list[bytes]:
        self._buffer += data
        frames = []
        while len(self._buffer) > _HEADER:
            end = 6 + int.from_bytes(self._buffer[4:6], "big")
            if len(self._buffer) < end:
                break
            frames.append(self._buffer[:end])
            self._buffer = self._buffer[end:]
        return frames


class _Near(asyncio.Protocol):
    """The side of the master; it has a far side as soon as that is connected."""

    def __init__(self, proxy: Proxy) -> None:
        self._proxy, self._frames = proxy, _Frames()
        self._transport: asyncio.Transport | None = None
        self._far: asyncio.Transport | None = None
        self._waiting: list[bytes] = []  # for the far side to be there
        self._queue: deque[tuple[float, list[bytes]]] = deque()  # answers that are late, in order
        self._over = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._proxy.joined(self)
        if not self._over:
            self._connecting = asyncio.get_running_loop().create_task(self._connect())

    async def _connect(self) -> None:
        try:
            far, _ = await asyncio.get_running_loop().create_connection(
                lambda: _Far(self), "127.0.0.1", self._proxy.upstream_port
            )
        except OSError:
            self.end()
            return
        if self._over:
            far.abort()
            return
        self._far = far
        far.write(b"".join(self._waiting))
        self._waiting.clear()

    def data_received(self, data: bytes) -> None:
        for frame in self._frames.feed(data):
            onward, back = self._proxy.of_request(frame)
            if onward and self._far is not None:
                self._far.write(b"".join(onward))
            elif onward:
                self._waiting += onward
            if back:
                self._later(0.0, back)

    def answered(self, frame: bytes) -> None:
        """A frame came from the device."""
        frames, delay_s = self._proxy.of_answer(frame)
        if frames:
            self._later(delay_s, frames)

    def _later(self, delay_s: float, frames: list[bytes]) -> None:
        loop = asyncio.get_running_loop()
        if not self._queue and delay_s == 0.0:
            self._send(frames)
            return
        due_s = max(loop.time() + delay_s, self._queue[-1][0] if self._queue else 0.0)
        self._queue.append((due_s, frames))
        if len(self._queue) == 1:
            loop.call_at(due_s, self._send_due)

    def _send_due(self) -> None:
        loop = asyncio.get_running_loop()
        while self._queue and self._queue[0][0] <= loop.time():
            self._send(self._queue.popleft()[1])
        if self._queue:
            loop.call_at(self._queue[0][0], self._send_due)

    def _send(self, frames: list[bytes]) -> None:
        if self._transport is not None and not self._over:
            self._transport.write(b"".join(frames))

    def connection_lost(self, _exc: Exception | None) -> None:
        self.end()

    def end(self) -> None:
        """Both sides are closed."""
        self._over = True
        self._proxy.left(self)
        for transport in (self._transport, self._far):
            if transport is not None:
                transport.abort()


class _Far(asyncio.Protocol):
    """The side of the device."""

    def __init__(self, near: _Near) -> None:
        self._near, self._frames = near, _Frames()

    def data_received(self, data: bytes) -> None:
        for frame in self._frames.feed(data):
            self._near.answered(frame)

    def connection_lost(self, _exc: Exception | None) -> None:
        self._near.end()

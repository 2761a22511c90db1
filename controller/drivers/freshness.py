"""Is what a device shows alive, its own and ours to drive? No I/O; time is an argument, whole milliseconds.

An answer proves that something answers. That a device lives is shown by a counter of its own scans
(``life``) that moves, and that it still hears us by our own heartbeat, which it gives back
(``heartbeat_seen``). That it is the right one is shown by its number (``identity``) and by a value that is
known (``known``), which also proves word order, scaling and an address given one off. Who writes to it is
shown by a number, too (``owner_seen``).

A device that began anew has let its outputs fall, or has held them while nobody could see. Short as it was,
it was a loss of I/O: what had been driven must not come on again by the next write. So the device is driven
to rest, and its image is none, for ``REST_MS``; by then the firmware has seen the loss and answers it itself.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

TAKE_OVER_MS = 3_000
"""A device under another mark, or under ours from a former run, is taken over when its heartbeat has stood
still for so long. Longer than the 2 s in which the device itself gives up a master (narrative 2.3)."""
STANDSTILL_MS = 1_000
"""A life counter that stands still for so long is told: an image of that age is stale (narrative 2.3)."""
REST_MS = 1_000
"""As long as outputs are kept that the firmware does not renew: whatever is written later was driven by
firmware that had seen the loss."""
_REMEMBERED = 256  # heartbeats that have been sent
_BOOT_MS = 1_000  # a counter that goes back may have gone on for so much longer than we looked
_NOBODY = 0
_KNOWN_CLOSE = 1e-3  # a scaled register rounds; what word order or address do wrong is far more


@dataclass(frozen=True, slots=True)
class Shown:
    """What the service points of a device showed in one round; None for a point that it does not have."""

    identity: float | None = None
    known: float | None = None
    life: int | None = None
    heartbeat_seen: int | None = None
    owner_seen: int | None = None


class Words:
    """Lines for people: one when a thing goes wrong, one when it is well again, none in between."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._wrong: dict[str, str] = {}
        self._lines: list[str] = []

    def tell(self, text: str) -> None:
        """Something happened."""
        self._lines.append(f"{self._name}: {text}")

    def wrong(self, topic: str, text: str) -> None:
        """Something is wrong; told when nothing was wrong with this topic before."""
        if topic not in self._wrong:
            self._wrong[topic] = text
            self.tell(text)

    def well(self, topic: str, text: str) -> None:
        """It is not wrong, or not any more."""
        if self._wrong.pop(topic, None) is not None:
            self.tell(text)

    def is_wrong(self, topic: str) -> bool:
        """Whether something is wrong with this topic now."""
        return topic in self._wrong

    def standing(self) -> str:
        """What has been wrong for the longest, "" when nothing is."""
        return next(iter(self._wrong.values()), "")

    def take(self) -> list[str]:
        """The lines since the last call."""
        lines, self._lines = self._lines, []
        return lines


class Ownership:
    """May we write to this device? ``ours`` is our mark, 1..65535; 0 at the device means nobody.

    A device is taken when nobody is marked or when the heartbeat of whoever is has stood still for
    ``TAKE_OVER_MS``. Where no heartbeat is shown, another's mark cannot be told from a living master and is
    left alone. A foreign mark on a device that had been ours means two masters: writing ends until the
    program is started again (F77).
    """

    def __init__(self, ours: int, words: Words) -> None:
        self._ours, self._words = ours, words
        self.taken = False
        self.marked = False  # it has shown our mark
        self._fought = False
        self._former: int | None = None  # whose mark may still stand there, until ours is shown
        self._beat: int | None = None
        self._still_ms = 0  # since when the heartbeat shows the same

    def look(self, owner_seen: int | None, heartbeat_seen: int | None, now_ms: int) -> None:
        """Take one round's marks; ``taken`` says what follows."""
        if self._fought:
            return
        if self.taken:
            self._hold(owner_seen, now_ms)
        elif owner_seen in (None, _NOBODY) or self._abandoned(owner_seen, heartbeat_seen, now_ms):
            self.taken, self._former, self._still_ms = True, owner_seen, now_ms
            self._words.well("owner", "the other master is gone, it is ours now")

    def _abandoned(self, owner_seen: int | None, heartbeat_seen: int | None, now_ms: int) -> bool:
        if heartbeat_seen is None:
            if owner_seen != self._ours:
                self._words.wrong(
                    "owner",
                    f"master {owner_seen} has written here (ours is {self._ours}): nothing is written by us; "
                    "if that master is gone, restart the device",
                )
            return owner_seen == self._ours
        if heartbeat_seen != self._beat:
            if self._beat is not None:
                self._words.wrong(
                    "owner",
                    f"master {owner_seen} is writing (ours is {self._ours}): nothing is written by us; "
                    "look for a second program",
                )
            self._beat, self._still_ms = heartbeat_seen, now_ms
        return now_ms - self._still_ms >= TAKE_OVER_MS

    def _hold(self, owner_seen: int | None, now_ms: int) -> None:
        if owner_seen == self._ours:
            self._former, self.marked = None, True
        elif owner_seen not in (None, _NOBODY):
            if owner_seen == self._former and now_ms - self._still_ms < TAKE_OVER_MS:
                return  # the device has not shown our mark yet
            self.taken, self._fought = False, True
            self._words.wrong(
                "owner",
                f"two masters: {owner_seen} writes, too (ours is {self._ours}); nothing is written any more "
                "until the program is started again",
            )


class Watch:
    """What is known about one device.

    ``fresh_ms`` is the moment from which the age of its image counts, None while nothing has proven it.
    ``right`` says whether it has shown, since the last failure, that it is the device that it should be.
    ``rests``: it holds outputs, so that it must come to rest when it began anew.
    """

    def __init__(
        self,
        name: str,
        ours: int,
        identity: float | None = None,
        known: float | None = None,
        rests: bool = False,
    ) -> None:
        self._rests = rests
        self.words = Words(name)
        self.right = False
        self._identity, self._known = identity, known
        self._ownership = Ownership(ours, self.words)
        self._life: int | None = None
        self._life_ms = 0  # when that value was first seen
        self._rest_until_ms: int | None = None  # it began anew; None when that has been told long enough
        self._alive_ms: int | None = None  # last scan in which life had changed
        self._newest_life: int | None = None  # that it had then, or before it went back
        self._heard_ms: int | None = None  # when the heartbeat was sent that the device shows
        self._answered_ms: int | None = None
        self._has_life = self._has_heartbeat = False
        self._sent: deque[tuple[int, int]] = deque(maxlen=_REMEMBERED)

    @property
    def may_write(self) -> bool:
        """It is the right device, and ours."""
        return self.right and self._ownership.taken

    @property
    def must_rest(self) -> bool:
        """It began anew a moment ago: whatever the firmware drives, it gets the image at rest."""
        return self._rest_until_ms is not None

    @property
    def fresh_ms(self) -> int | None:
        """The older of its proofs; where it has no proof to show, its last answer."""
        if self.must_rest:
            return None
        proofs = [self._answered_ms]
        if self._has_life:
            proofs.append(self._alive_ms)
        if self._has_heartbeat:
            proofs.append(self._heard_ms)
        return None if None in proofs else min(proof for proof in proofs if proof is not None)

    def wrote(self, heartbeat: int, now_ms: int) -> None:
        """This heartbeat is about to be sent."""
        self._sent.append((heartbeat, now_ms))

    def missed(self, why: str) -> None:
        """A round failed; whoever answers next must show who it is before anything is written."""
        self.right = False
        self.words.wrong("answer", f"no image: {why}")

    def shown(self, shown: Shown, asked_ms: int) -> None:
        """A round that began at ``asked_ms`` was answered."""
        self.judge(shown, asked_ms)
        self.answered()

    def answered(self) -> None:
        """The whole round was."""
        self.words.well("answer", "answers again")

    def judge(self, shown: Shown, asked_ms: int) -> None:
        """What it showed in a round that began at ``asked_ms``, be it that the round goes on with a write."""
        if not self._is_right(shown):
            self.right = False
            self._answered_ms = self._alive_ms = self._heard_ms = self._life = None
            return
        self.right = True
        self._answered_ms = asked_ms
        if self._rest_until_ms is not None and asked_ms >= self._rest_until_ms:
            self._rest_until_ms = None
        if self._began_anew(shown, asked_ms):
            self._rest_until_ms = asked_ms + REST_MS if self._rests else None
            self._alive_ms = self._heard_ms = None
            self._life = None  # from here on it counts anew
            self._ownership.marked = False
        self._look_at_life(shown.life, asked_ms)
        self._look_at_heartbeat(shown.heartbeat_seen)
        self._ownership.look(shown.owner_seen, shown.heartbeat_seen, asked_ms)

    def _is_right(self, shown: Shown) -> bool:
        for topic, is_, should_be, close, what in (
            (
                "identity",
                shown.identity,
                self._identity,
                0.0,
                "another device answers; look at unit id and cable",
            ),
            ("known", shown.known, self._known, _KNOWN_CLOSE, "look at word order, scaling and addresses"),
        ):
            if should_be is not None and (is_ is None or not math.isclose(is_, should_be, rel_tol=close)):
                self.words.wrong(topic, f"{topic} is {is_}, not {should_be:g}: {what}; its image is not used")
                return False
            self.words.well(topic, f"{topic} is right now")
        return True

    def _began_anew(self, shown: Shown, asked_ms: int) -> bool:
        """Its life went back, or it has forgotten our mark or our heartbeat."""
        before, life = self._life, shown.life
        if before is not None and life is not None and went_back(before, life, asked_ms - self._life_ms):
            self._newest_life = before
            self.words.tell(f"it was started anew (life {before}, then {life})")
            return True
        forgot = self._ownership.marked and self.may_write and shown.owner_seen == _NOBODY
        forgot |= self._heard_ms is not None and shown.heartbeat_seen == _NOBODY
        if forgot:
            self.words.tell("it was started anew: it has forgotten who writes")
        return forgot

    def _look_at_life(self, life: int | None, asked_ms: int) -> None:
        """A life that has changed is a sign of now only when the one before was new not long ago.

        After a pause or a standstill the new one may have stood for as long; the next change shows it. And
        one that it had before it went back is no change: old answers come in between, and it stands still.
        """
        if life is None:
            return
        self._has_life = True
        stood_ms = asked_ms - self._life_ms
        if self._life is None:
            self._life, self._life_ms = life, asked_ms
        elif life != self._life:
            self._life, self._life_ms = life, asked_ms
            if stood_ms < STANDSTILL_MS and life != self._newest_life:
                self._alive_ms, self._newest_life = asked_ms, life
                self.words.well("life", "its life counter moves again")
        elif stood_ms >= STANDSTILL_MS:
            self.words.wrong("life", "it answers, but its life counter stands still: its program has stopped")

    def _look_at_heartbeat(self, heartbeat_seen: int | None) -> None:
        if heartbeat_seen is None:
            return
        self._has_heartbeat = True
        for heartbeat, sent_ms in reversed(self._sent):
            if heartbeat == heartbeat_seen:
                self._heard_ms = sent_ms
                return


def went_back(before: int, now: int, elapsed_ms: int) -> bool:
    """Whether a counter of scans began again, rather than ran over its end.

    A device makes at most one scan in a millisecond (common practice, no source), so a counter of 16 or 32
    bits that seems to have moved by more than the time allows has gone back.

    >>> went_back(65_530, 4, 100), went_back(60_000, 4, 100)
    (False, True)
    """
    if now >= before:
        return False
    modulus = 1 << 16 if before < 1 << 16 else 1 << 32
    return (now - before) % modulus > elapsed_ms + _BOOT_MS

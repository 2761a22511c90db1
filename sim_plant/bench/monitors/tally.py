"""Collecting what a requirement saw in one run, and turning it into one Finding."""

from __future__ import annotations

from dataclasses import dataclass

from sim_plant.bench.verdicts import Finding, Verdict

_GRAVITY = {Verdict.FAIL: 0, Verdict.INCONCLUSIVE: 1, Verdict.PASS: 2}


@dataclass(frozen=True)
class _Seen:
    verdict: Verdict
    margin: float | None
    margin_unit: str
    at_ms: int
    unit: int
    detail: str
    trigger: bool

    def key(self) -> tuple[int, bool, float]:
        """Gravest first, then the smallest margin; something without a margin after those with one."""
        return _GRAVITY[self.verdict], self.margin is None, self.margin or 0.0


class Tally:
    """Every trigger of one requirement in one run; the gravest one becomes the Finding.

    ``limit`` is the limit in words. ``uncertainty_ms`` is the timing uncertainty of the target: a time
    margin smaller than it decides nothing. Counts and sequences are read from one image and carry none.
    """

    def __init__(self, limit: str, uncertainty_ms: int = 0) -> None:
        self._limit = limit
        self._uncertainty_ms = uncertainty_ms
        self._seen: list[_Seen] = []
        self._silent = ""

    def silent(self, reason: str) -> None:
        """Say why nothing can be judged; told when no trigger comes."""
        self._silent = reason

    def timed(self, at_ms: int, unit: int, margin_ms: int, detail: str, *, trigger: bool = True) -> None:
        """A trigger with a measured time: positive is inside the limit, negative is beyond it."""
        if abs(margin_ms) < self._uncertainty_ms:
            verdict = Verdict.INCONCLUSIVE
        else:
            verdict = Verdict.PASS if margin_ms >= 0 else Verdict.FAIL
        self._seen.append(_Seen(verdict, margin_ms / 1000.0, "s", at_ms, unit, detail, trigger))

    def counted(self, at_ms: int, unit: int, margin: float, margin_unit: str, detail: str) -> None:
        """A trigger with a measured amount that has no timing uncertainty."""
        verdict = Verdict.PASS if margin >= 0 else Verdict.FAIL
        self._seen.append(_Seen(verdict, margin, margin_unit, at_ms, unit, detail, True))

    def held(self, at_ms: int, unit: int, detail: str = "") -> None:
        """A trigger that was answered rightly where nothing can be measured."""
        self._seen.append(_Seen(Verdict.PASS, None, "", at_ms, unit, detail, True))

    def broken(self, at_ms: int, unit: int, detail: str, *, trigger: bool = True) -> None:
        """A failure where nothing can be measured: it happened, and it must not."""
        self._seen.append(_Seen(Verdict.FAIL, None, "", at_ms, unit, detail, trigger))

    def finding(self, name: str, since_ms: int = 0) -> Finding:
        """The gravest of what was seen; not exercised when no trigger came.

        Of what was seen before ``since_ms`` only what was not held counts: a trigger may come before a
        fault and be answered wrongly because of it.
        """
        seen = [one for one in self._seen if one.at_ms >= since_ms or one.verdict is not Verdict.PASS]
        if not seen:
            return Finding(name, Verdict.NOT_EXERCISED, limit=self._limit, detail=self._silent)
        worst = min(seen, key=_Seen.key)
        return Finding(
            name=name,
            verdict=worst.verdict,
            triggers=max(sum(one.trigger for one in seen), 1),
            margin=worst.margin,
            margin_unit=worst.margin_unit,
            at_ms=worst.at_ms,
            unit=worst.unit,
            limit=self._limit,
            detail=worst.detail,
        )

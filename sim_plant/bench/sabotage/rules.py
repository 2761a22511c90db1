"""Changes of the protections, the shared causes, what a reset waits for, and the rules above all states.

A rule that is taken out stays in its place and never holds: memories count rules by place.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

from controller.bank import shared
from controller.bank.view import BankView
from controller.signals import UnitOutputs
from controller.unit import outputs, sequencer
from controller.unit.protections import CLEAR_S, RULES, Rule
from controller.unit.states import Event
from controller.unit.view import View
from sim_plant.bench.sabotage.change import Change, attribute, item, swapped


def raised(scope: str, place: int) -> str:
    """The touch of a rule that raised its event; scope is "unit" or "bank"."""
    return f"raise {scope} {place}"


def reset_tried(scope: str, event: Event) -> str:
    """The touch of a reset while this event is latched."""
    return f"reset {scope} {event.name}"


def took(name: str) -> str:
    """The touch of a global rule that took an output."""
    return f"global {name}"


def changes() -> Iterator[Change]:
    """All of them, table by table."""
    for place, rule in enumerate(RULES):
        yield _taken_out(place, rule)
    for place, shared_rule in enumerate(shared.SHARED):
        entry, text = (
            f"{shared_rule.event.name}/{shared_rule.when.__name__}",
            _words(shared_rule.when.__doc__),
        )
        patch = partial(_shared, place, shared_rule._replace(when=_never_shared))
        yield Change("shared", entry, "drop", f"never seen: {text}", raised("bank", place), patch)
    yield from _resets()
    for place, above in enumerate(outputs.GLOBAL_RULES):
        text = f"not looked at: {_words(above.when.__doc__)}"
        patch = partial(_global, place)
        yield Change("global", above.name.replace(" ", "-"), "drop", text, took(above.name), patch)


def _words(doc: str | None) -> str:
    return (doc or "").split("\n", 1)[0].rstrip(".")


def _taken_out(place: int, rule: Rule) -> Change:
    entry, text = f"{rule.event.name}/{rule.when.__name__}", f"never seen: {_words(rule.when.__doc__)}"
    if rule.delay:
        entry += f"-{rule.delay}"
    return Change("rule", entry, "drop", text, raised("unit", place), partial(_rule, place))


def _resets() -> Iterator[Change]:
    """A reset no longer waits until the cause has been gone for its time."""
    for event, clear_s in CLEAR_S.items():
        if clear_s:
            text = f"a reset of {event.name} does not wait for {clear_s:g} s without the cause"
            patch = partial(item, CLEAR_S, event, 0.0)
            yield Change("clear", f"unit/{event.name}", "at-once", text, reset_tried("unit", event), patch)
    for event in dict.fromkeys(rule.event for rule in shared.SHARED if rule.clear_s):
        text = f"a reset of {event.name} at the bank does not wait until the cause has been gone"
        patch = partial(_shared_at_once, event)
        yield Change("clear", f"bank/{event.name}", "at-once", text, reset_tried("bank", event), patch)


def never(_v: View) -> bool:
    """Never."""
    return False


def _never_shared(_v: BankView, _standing: bool) -> bool:
    return False


def _never_above(_v: View, _wanted: UnitOutputs) -> bool:
    return False


@contextmanager
def _rule(place: int) -> Iterator[None]:
    with attribute(sequencer, "RULES", swapped(RULES, place, RULES[place]._replace(when=never))):
        yield


@contextmanager
def _shared(place: int, rule: shared.SharedRule) -> Iterator[None]:
    with attribute(shared, "SHARED", swapped(shared.SHARED, place, rule)):
        yield


@contextmanager
def _shared_at_once(event: Event) -> Iterator[None]:
    rules = tuple(r._replace(clear_s=0.0) if r.event is event else r for r in shared.SHARED)
    with attribute(shared, "SHARED", rules):
        yield


@contextmanager
def _global(place: int) -> Iterator[None]:
    rules = outputs.GLOBAL_RULES
    with attribute(outputs, "GLOBAL_RULES", swapped(rules, place, rules[place]._replace(when=_never_above))):
        yield

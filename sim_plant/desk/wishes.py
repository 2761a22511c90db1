"""What a page may wish for, as JSON: commands of people, deeds as in a case, and the pace of time."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, PrivateAttr, TypeAdapter, ValidationError, model_validator

from controller.files import InputError
from controller.settings import BY_MAX, REASON_MAX
from controller.signals import Command, Verb
from sim_plant.bench.steps import Seconds, Step, Table

TEXT_MAX, TEXT_LINES_MAX = 2_000, 40
SPEED_LEAST, SPEED_MOST = 0.1, 1000.0
_NOT_FROM_A_PAGE = ("at_s", "when_state", "after_s", "limit_s", "name", "command", "by", "disturbs")


def _one_line(text: str) -> str:
    """In a title there is no line break and nothing that cannot be seen."""
    if not text.isprintable():
        raise ValueError("must be one line of characters that can be seen")
    return text.strip()


def _writable(text: str) -> str:
    """Lines with nothing in them that a file of text should not hold."""
    lines = [line.expandtabs(4).rstrip() for line in text.strip().split("\n")]
    if len(lines) > TEXT_LINES_MAX:
        raise ValueError(f"has {len(lines)} lines, at most {TEXT_LINES_MAX}")
    if not all(line.isprintable() for line in lines):
        raise ValueError("must be lines of characters that can be seen")
    return "\n".join(lines)


class RefusedError(Exception):
    """A wish that cannot be granted; the message is a sentence for the person."""


class Order(Table):
    """A command to the firmware, against the state that the person saw."""

    kind: Literal["order"]
    verb: Verb
    unit: int = Field(ge=0, le=64)
    by: str = Field(min_length=1, max_length=BY_MAX)
    against: str = Field("", max_length=30)
    reason: str = Field("", max_length=REASON_MAX)
    alarm: str = Field("", max_length=80)
    hours: float = Field(0.0, ge=0, le=24, allow_inf_nan=False)

    def command(self) -> Command:
        """As the firmware takes it."""
        return Command(
            self.verb, self.unit, self.by, self.against, self.reason.strip(), self.alarm, self.hours
        )

    def words(self) -> str:
        """For people."""
        where = f"unit {self.unit}" if self.unit else "bank"
        alarm = f" {self.alarm}" if self.alarm else ""
        return f"{self.verb.value}{alarm}, {where}"


class Deed(Table):
    """Something done to plant or target, as a step of a case does it; ``in_s`` puts it off."""

    kind: Literal["deed"]
    in_s: Seconds = 0.0
    step: dict[str, Any]
    _action: Step = PrivateAttr()

    @model_validator(mode="after")
    def _as_step(self) -> Self:
        strange = [key for key in self.step if key in _NOT_FROM_A_PAGE]
        if strange:
            raise ValueError(f"{strange[0]} is set by the desk")
        self._action = Step.model_validate({**self.step, "at_s": 0.0})
        return self

    def action(self, at_ms: int, name: str) -> Step:
        """The step, done at that moment."""
        return self._action.model_copy(update={"at_s": at_ms / 1000.0, "name": name})

    @property
    def unit(self) -> int | None:
        """The unit that it names."""
        return self._action.unit


class Pace(Table):
    """How fast time goes: a multiple of real time, or as fast as it can."""

    kind: Literal["pace"]
    speed: Annotated[float, Field(ge=SPEED_LEAST, le=SPEED_MOST, allow_inf_nan=False)] | Literal["max"]


class Pause(Table):
    """Let time stand still, or go on."""

    kind: Literal["pause"]
    on: bool


class Scans(Table):
    """So many scans, then pause."""

    kind: Literal["scans"]
    count: int = Field(1, ge=1, le=1000)


class Back(Table):
    """Wind back to a moment of plant time."""

    kind: Literal["back"]
    to_s: float = Field(ge=0, allow_inf_nan=False)


class Save(Table):
    """What was done, as a case file."""

    kind: Literal["save"]
    unit: int = Field(1, ge=1, le=64)
    title: Annotated[str, AfterValidator(_one_line)] = Field("", max_length=120)
    text: Annotated[str, AfterValidator(_writable)] = Field("", max_length=TEXT_MAX)


Wish = Order | Deed | Pace | Pause | Scans | Back | Save

_WISH: TypeAdapter[Wish] = TypeAdapter(Annotated[Wish, Field(discriminator="kind")])


def read_wish(body: bytes) -> Wish:
    """A wish from JSON; InputError with one sentence when it is none."""
    try:
        return _WISH.validate_json(body)
    except ValidationError as error:
        first = error.errors()[0]
        if first["type"] == "json_invalid":
            raise InputError("this is not JSON") from error
        key = ".".join(str(part) for part in first["loc"][1:])
        said = str(first.get("ctx", {}).get("error", first["msg"])).replace("Input should be", "must be")
        raise InputError(f"{key or 'a wish'}: {said}") from error
    except RecursionError as error:
        raise InputError("this is nested too deep") from error

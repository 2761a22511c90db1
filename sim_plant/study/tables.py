"""What every table of study.toml shares: frozen, no unknown key, no NaN; lists are taken as tuples."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict


class Table(BaseModel):
    """One table of study.toml."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


def _tuple(value: object) -> object:
    """A list, as TOML has it, made a tuple: strict validation takes nothing else."""
    return tuple(value) if isinstance(value, list) else value


Numbers = Annotated[tuple[float, ...], BeforeValidator(_tuple)]

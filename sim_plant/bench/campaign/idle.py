"""Why a campaign of faults does not put some requirements to the test."""

from __future__ import annotations

CHANCE = "none of these cells brought its trigger about"

NOT_BY_A_FAULT: dict[str, str] = {}
"""Requirements whose trigger is no fault of the plant, with what it is; bundled cases bring it about."""


def why_idle(requirement: str) -> str:
    """The reason in words, for a requirement that no cell put to the test."""
    return NOT_BY_A_FAULT.get(requirement, CHANCE)

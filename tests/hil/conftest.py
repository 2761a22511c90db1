"""What the tests of this folder share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.hil.libmodbus_peer import compiled

# Three to eight minutes of real time each, of what others show in virtual time or over TCP: see DEVELOPERS.md
collect_ignore = (
    []
    if os.environ.get("SKIDPROOF_LONG")
    else ["test_campaign_on_plc.py", "test_live_rtu.py", "test_same.py"]
)


@pytest.fixture(scope="session")
def peer_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program of a device on libmodbus."""
    return compiled(tmp_path_factory.mktemp("libmodbus"))

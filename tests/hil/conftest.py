"""What the tests of this folder share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hil.libmodbus_peer import compiled


@pytest.fixture(scope="session")
def peer_server(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program of a device on libmodbus."""
    return compiled(tmp_path_factory.mktemp("libmodbus"))

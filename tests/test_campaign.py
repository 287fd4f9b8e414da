"""The fault campaign (tests/campaign.py), small."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest
from campaign import PARTS

SMALL = {
    "killed_imports": 2,
    "killed_logs": 2,
    "faulty_adapter": 4,
    "full_disk": 1,
    "vanished_disk": 1,
    "two_writers": 1,
    "readers_at_work": 3,
    "damaged_parts": 2,
}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the adapter emulator needs Linux pseudo-terminals")
@pytest.mark.parametrize("name", SMALL)  # a long log is for the command alone
def test_the_store_survives(name: str, tmp_path: Path) -> None:
    said = PARTS[name](tmp_path, random.Random(7), SMALL[name])
    if said.startswith("not tried"):
        pytest.skip(said)

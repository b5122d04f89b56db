from pathlib import Path

import pytest

from fleet.demo.fleet import InventedFleet, invent
from fleet.demo.folder import write_fleet
from fleet.demo.spec import DEMO
from tests.fleet.demo.fleets import SMALL, TODAY


@pytest.fixture(scope="session")
def demo() -> InventedFleet:
    return invent(DEMO, TODAY)


@pytest.fixture(scope="session")
def small_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    write_fleet(folder, SMALL, TODAY)
    return folder

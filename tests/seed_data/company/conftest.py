"""The demo company, generated once for all tests."""

import pytest

from scheduler.catalogue import Catalogue
from seed_data.catalogue import load_catalogue
from seed_data.company.generate import demo_company
from seed_data.company.records import DemoCompany
from seed_data.company.setting import Setting, read_setting


@pytest.fixture(scope="session")
def setting() -> Setting:
    return read_setting()


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return load_catalogue()


@pytest.fixture(scope="session")
def company(setting: Setting, catalogue: Catalogue) -> DemoCompany:
    return demo_company(setting, catalogue)

"""Whole files to harm, made once for all tests of this room."""

from __future__ import annotations

import pytest

from tests.hard_use.cases import Yard


@pytest.fixture(scope="session")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return Yard(tmp_path_factory.mktemp("yard"))

"""A faultless site in a folder of its own."""

import pytest

from tests.site.plant import Plant


@pytest.fixture
def plant(tmp_path):
    return Plant(tmp_path)

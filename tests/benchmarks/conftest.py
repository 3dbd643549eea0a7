"""Measurements print ratios and nothing else."""

import logging

import pytest
import structlog


@pytest.fixture(autouse=True)
def _no_log() -> None:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))

"""A busy machine must not fail a test for being slow: nothing here is timed."""

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from rules.confidence import PLAIN

settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.fixture(autouse=True, scope="package")
def _shares_as_they_are() -> Iterator[None]:
    """Leave out the calibration for photos: its numbers change with each model."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rules.engine.photo_calibration", lambda: PLAIN)
        yield

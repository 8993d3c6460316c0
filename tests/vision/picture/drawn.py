"""Captions, and outlines that were made up, for the tests of what is drawn."""

from __future__ import annotations

from typing import Any

import numpy as np

from vision.picture.panel import Caption
from vision.types import FloatArray


def caption(**changed: Any) -> Caption:
    told: dict[str, Any] = {
        "title": "No. 1 or No. 2",
        "certainty": "borderline, 60 %",
        "confidence": 0.6,
        "lines": ("strand 1.29 mm ± 0.03, limit 1.291",),
    }
    return Caption(**(told | changed))


def box_outline(left: float, top: float, width: float, height: float) -> FloatArray:
    right, bottom = left + width, top + height
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float64)

"""How thick is a cylinder that seems this wide on the reference's plane?

A camera sees the two lines along which its rays touch the cylinder. Laid on the
plane of the reference's upper face these lines seem wider apart than the cylinder
is thick (it stands up towards the camera), or closer (the reference's face is
nearer to the camera than the table). Both follow from one right-angled triangle,
so nothing here is first order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from vision.types import FloatArray


def diameter_of_cylinder(
    left_mm: ArrayLike,
    right_mm: ArrayLike,
    *,
    camera_height_mm: ArrayLike,
    face_height_mm: float = 0.0,
) -> FloatArray:
    """Return the diameter of the cylinder on the table that shows these two edges.

    Everything is in the plane across the axis. The rays through both edges leave
    the camera at angles ``a`` and ``b`` from straight down; the axis lies on their
    bisector, at the distance where the circle touches both rays and the table:
    ``r = H sin(d) / (sin(d) + cos(m))`` with ``d`` half their difference, ``m``
    their mean and ``H`` the camera's height over the table.

    >>> seen = diameter_of_cylinder(-15.02, 15.02, camera_height_mm=300.0)
    >>> f"edges 30 mm apart on the table, 300 mm below: {seen:.1f} mm thick"
    'edges 30 mm apart on the table, 300 mm below: 28.6 mm thick'

    Args:
        left_mm: Where one edge meets the face plane, across the axis, from the
            foot of the camera, mm.
        right_mm: The same for the other edge; the order does not matter.
        camera_height_mm: Height of the camera over the face plane, mm.
        face_height_mm: Height of the face plane over the table, mm.

    Returns:
        Diameters in mm, of the broadcast shape.
    """
    height = np.asarray(camera_height_mm, np.float64)
    left = np.arctan2(np.asarray(left_mm, np.float64), height)
    right = np.arctan2(np.asarray(right_mm, np.float64), height)
    half, middle = np.abs(right - left) / 2, (left + right) / 2
    diameter: FloatArray = (
        2 * (height + face_height_mm) * np.sin(half) / (np.sin(half) + np.cos(middle))
    )
    return diameter

"""The clear coat of the renders against Snell, Fresnel and the renderer's own plastic."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.recipe.look import coats, finishes
from models.recipe.scene.rendering import COAT_INDEX, COAT_WIDENS, material, under_coat

NEEDS_MITSUBA = pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="Mitsuba is not installed here"
)


def fresnel(cosine: float, index: float) -> float:
    """Reflectance of a smooth dielectric for unpolarised light (Born & Wolf, 1.5.2)."""
    inside = np.sqrt(1 - (1 - cosine**2) / index**2)
    parallel = (index * cosine - inside) / (index * cosine + inside)
    across = (cosine - index * inside) / (cosine + index * inside)
    return float((parallel**2 + across**2) / 2)


def coated(*, film: float, base: float = 0.0, coat: float = 1.0) -> finishes.Skin:
    skin = finishes.plain((4, 4), colour=(base, base, base), label=finishes.COATED, metallic=1.0)
    skin.coat[:], skin.film[:] = coat, film
    return skin


def reflected(bsdf: dict[str, Any], cosine: float) -> float:
    """Return the share of light from one direction that a material sends back, all ways."""
    from models.recipe.scene.rendering import load_mitsuba

    mi = load_mitsuba()
    import drjit as dr

    n = 100_000
    rng = np.random.default_rng(1)
    at = dr.zeros(mi.SurfaceInteraction3f, n)
    at.wi = mi.Vector3f(float(np.sqrt(1 - cosine**2)), 0, cosine)
    at.n, at.sh_frame = mi.Normal3f(0, 0, 1), mi.Frame3f(mi.Normal3f(0, 0, 1))
    at.dp_du, at.dp_dv, at.uv = mi.Vector3f(1, 0, 0), mi.Vector3f(0, 1, 0), mi.Point2f(0.5, 0.5)
    u = [mi.Float(rng.random(n).astype(np.float32)) for _ in range(3)]
    way, weight = mi.load_dict(bsdf).sample(mi.BSDFContext(), at, u[0], mi.Point2f(u[1], u[2]))
    return float(np.mean(np.array(dr.select(way.wo.z > 0, weight.y, 0))))


@NEEDS_MITSUBA
@pytest.mark.parametrize("film", [0.01, 0.05, 0.2])
def test_a_coat_reflects_what_a_rough_plastic_of_its_index_does(film: float) -> None:
    from models.recipe.scene.rendering import load_mitsuba

    mi = load_mitsuba()
    for cosine in (1.0, 0.9, 0.7):
        black = {"type": "rgb", "value": 0.0}
        plastic = {"type": "roughplastic", "int_ior": COAT_INDEX, "alpha": film,
                   "distribution": "ggx", "diffuse_reflectance": black}  # fmt: skip
        wanted = reflected(plastic, cosine)
        # Black metal below sends back its own edge sheen (Schlick), which is no part of the coat.
        sheen = 0.93 * (1 - cosine) ** 5
        told = reflected(material(mi, coated(film=film)), cosine) - sheen
        assert told == pytest.approx(wanted, rel=0.06)
        if film < 0.1:
            assert told == pytest.approx(fresnel(cosine, COAT_INDEX), rel=0.06)


@NEEDS_MITSUBA
def test_a_coat_takes_from_the_metal_below_what_two_passes_take() -> None:
    from models.recipe.scene.rendering import load_mitsuba

    mi = load_mitsuba()
    skin = coated(film=0.02, base=0.6)
    under = reflected(material(mi, skin), 1.0)
    # The same metal bare, as rough as it looks through the coat.
    naked = replace(skin, coat=np.zeros_like(skin.coat), rough=under_coat(skin))
    bare = reflected(material(mi, naked), 1.0)
    once = fresnel(1.0, COAT_INDEX)
    # Layers added up, light thrown to and fro between them too (Stokes 1862).
    layers = once + (1 - once) ** 2 * bare / (1 - once * bare)
    assert under == pytest.approx(layers, rel=0.03)


def test_the_lobe_of_coated_metal_is_wider_as_refraction_says() -> None:
    # Facets of a rough metal tilt by a small random angle in the plane of view; light goes
    # straight down, is thrown back by the facet, and leaves through a level coat.
    tilt = np.random.default_rng(2).normal(0, np.deg2rad(6), 100_000)
    bare = 2 * tilt
    leaves = COAT_INDEX * np.sin(2 * tilt)
    out = np.arcsin(leaves[np.abs(leaves) < 1])
    middle = [np.diff(np.quantile(a, [0.16, 0.84]))[0] for a in (bare, out)]
    assert middle[1] / middle[0] == pytest.approx(COAT_WIDENS, rel=0.06)


def test_only_coated_metal_looks_rougher_than_it_is() -> None:
    wide, same = under_coat(coated(film=0.1)), under_coat(coated(film=0.1, coat=0.0))
    # GGX alpha is the square of the principled roughness.
    assert (wide / same) ** 2 == pytest.approx(COAT_WIDENS)
    assert same == pytest.approx(0.5)


def test_coats_come_from_a_mirror_to_dull() -> None:
    drawn = [
        float(np.median(coats.gloss((40, 20), rng=np.random.default_rng([3, k]))))
        for k in range(60)
    ]
    assert min(drawn) < 0.02
    assert max(drawn) > 0.18

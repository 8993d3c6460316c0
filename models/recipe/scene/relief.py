"""A surface with relief, whose grooves keep their direction.

Mitsuba's own ``bumpmap`` takes the tangent in world coordinates for one in the surface's own: an
anisotropic lobe turned with the piece on the table, right for a wire along x and the opposite for
one along y (3.9.1).
"""

from __future__ import annotations

from typing import Any


def register(mi: Any) -> None:  # noqa: ANN401
    """Make ``{"type": "relief", "height": texture, "surface": bsdf}`` known to a variant."""
    import drjit as dr

    class Relief(mi.BSDF):
        """The nested surface in a frame bent by the slope of a height map (Blinn 1978)."""

        def __init__(self, props: Any) -> None:  # noqa: ANN401
            mi.BSDF.__init__(self, props)
            self.height, self.nested = props["height"], props["surface"]
            self.m_components = [self.nested.flags(k) for k in range(self.nested.component_count())]
            self.m_flags = self.nested.flags()

        def bent(self, si: Any, active: Any) -> tuple[Any, Any]:  # noqa: ANN401
            """Return the interaction in the bent frame, and that frame in the old one."""
            slope = self.height.eval_1_grad(si, active)
            n = si.sh_frame.n
            u = dr.fma(n, slope.x - dr.dot(n, si.dp_du), si.dp_du)
            v = dr.fma(n, slope.y - dr.dot(n, si.dp_dv), si.dp_dv)
            normal = dr.normalize(dr.cross(u, v))
            normal = si.to_local(dr.select(dr.dot(si.n, normal) < 0, -normal, normal))
            frame = mi.Frame3f()
            along_u = si.to_local(si.dp_du)
            frame.n = normal
            frame.s = dr.normalize(dr.fma(-normal, dr.dot(normal, along_u), along_u))
            frame.t = dr.cross(frame.n, frame.s)
            own = mi.SurfaceInteraction3f(si)
            own.sh_frame = frame
            own.wi = frame.to_local(si.wi)
            return own, frame

        def sample(self, ctx: Any, si: Any, one: Any, two: Any, active: Any = True) -> Any:  # noqa: ANN401
            own, frame = self.bent(si, active)
            drawn, weight = self.nested.sample(ctx, own, one, two, active)
            out = frame.to_world(drawn.wo)
            seen = active & (mi.Frame3f.cos_theta(drawn.wo) * mi.Frame3f.cos_theta(out) > 0)
            drawn.wo = out
            drawn.pdf = dr.select(seen, drawn.pdf, 0)
            return drawn, weight & seen

        def eval_pdf(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> Any:  # noqa: ANN401
            own, frame = self.bent(si, active)
            out = frame.to_local(wo)
            seen = active & (mi.Frame3f.cos_theta(wo) * mi.Frame3f.cos_theta(out) > 0)
            value, pdf = self.nested.eval_pdf(ctx, own, out, seen)
            return value & seen, dr.select(seen, pdf, 0)

        def eval(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> Any:  # noqa: ANN401
            return self.eval_pdf(ctx, si, wo, active)[0]

        def pdf(self, ctx: Any, si: Any, wo: Any, active: Any = True) -> Any:  # noqa: ANN401
            return self.eval_pdf(ctx, si, wo, active)[1]

    mi.register_bsdf("relief", Relief)

"""Draw cross-sections of round wire on a table, as a phone photo shows them.

Two dimensions, traced: every ray of the camera meets the circle or the table; the
metal mirrors sky, lamps and the table with the wire's own shadow on it; the table
takes its light from what the wire leaves free of the sky. Then lens blur, clipping,
tone curve, sharpening, chroma subsampling and noise. All in units of the radius,
many pieces at once; the true edges are at -1 and 1 by construction.

Needs torch; used by ``train.py``, which has some drawn among those of photos.
"""

from __future__ import annotations

from math import pi

import torch
from torch import Tensor

FINE = 2560
REACH = 8.0  # radii to both sides
ENV_BINS = 1440  # of a full turn
ROUGH_RAYS = 12


class Draw:
    """Random numbers on one device."""

    def __init__(self, n: int, device: str, seed: int) -> None:
        self.n, self.device = n, device
        self.g = torch.Generator(device=device).manual_seed(seed)

    def uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Even between two bounds."""
        u = torch.rand((self.n, *shape), generator=self.g, device=self.device)
        return low + (high - low) * u

    def normal(self, *shape: int) -> Tensor:
        """Of unit spread."""
        return torch.randn((self.n, *shape), generator=self.g, device=self.device)

    def log_uniform(self, low: float, high: float, *shape: int) -> Tensor:
        """Even in the logarithm."""
        return torch.exp(
            self.uniform(
                torch.log(torch.tensor(low)).item(), torch.log(torch.tensor(high)).item(), *shape
            )
        )

    def chance(self, p: float, *shape: int) -> Tensor:
        """1 with this probability, else 0."""
        return (self.uniform(0, 1, *shape) < p).float()

    def tint(self, spread: float, *shape: int) -> Tensor:
        """Colours about neutral: warm or cool, and a little green or magenta."""
        warm = self.normal(*shape, 1) * spread
        green = self.normal(*shape, 1) * spread * 0.3
        return torch.exp(torch.cat([warm, green, -1.2 * warm], dim=-1))


def lookup(table: Tensor, position: Tensor) -> Tensor:
    """Linear interpolation: table ``(n, bins, c)`` at ``(n, k)`` positions -> ``(n, k, c)``."""
    bins = table.shape[1]
    position = position.clamp(0, bins - 1.001)
    low = position.floor().long()
    part = (position - low).unsqueeze(-1)
    index = low.unsqueeze(-1).expand(-1, -1, table.shape[2])
    return table.gather(1, index) * (1 - part) + table.gather(1, index + 1) * part


def rough_noise(d: Draw, points: int, channels: int, length: Tensor) -> Tensor:
    """Smooth noise of unit spread ``(n, points, channels)``; correlation length in points."""
    white = torch.fft.rfft(d.normal(points, channels), dim=1)
    f = torch.fft.rfftfreq(points, device=d.device)[None, :, None]
    shaped = white * torch.exp(-2 * (pi * f * length[:, None, None]) ** 2 / 2)
    noise = torch.fft.irfft(shaped, n=points, dim=1)
    return noise / noise.std(dim=1, keepdim=True).clamp_min(1e-6)


def environment(d: Draw, view: Tensor) -> Tensor:
    """Light from each direction, ``(n, ENV_BINS, 3)``; bin 0 is straight down (-180 deg)."""
    angle = torch.linspace(-180, 180, ENV_BINS, device=d.device)[None, :, None]
    light = d.tint(0.12)[:, None, :] * d.log_uniform(0.05, 1.0, 1, 1).expand(-1, -1, 1)
    slope = d.normal(1, 1) * 0.6
    light = light * torch.exp(slope * angle / 90)
    # Walls: darker or brighter towards the horizon.
    wall = torch.exp(d.normal(1, 1) * 0.8)
    toward = torch.sigmoid((angle.abs() - d.uniform(30, 75, 1, 1)) / d.uniform(2, 15, 1, 1))
    light = light * (1 + (wall - 1) * toward)
    for _ in range(4):
        at, half = d.uniform(-85, 85, 1, 1), d.log_uniform(1.5, 35, 1, 1)
        soft = d.log_uniform(0.2, 8, 1, 1)
        power = d.log_uniform(0.5, 25, 1, 1) * d.chance(0.6, 1, 1)
        box = torch.sigmoid((half - (angle - at).abs()) / soft)
        light = light + box * power * d.tint(0.2)[:, None, :]
    # Sun or a bare lamp: small and strong.
    at, half = d.uniform(-70, 70, 1, 1), d.log_uniform(0.25, 3, 1, 1)
    power = d.log_uniform(10, 200, 1, 1) * d.chance(0.3, 1, 1)
    light = (
        light + torch.sigmoid((half - (angle - at).abs()) / 0.15) * power * d.tint(0.15)[:, None, :]
    )
    # The phone and the person behind it stand in the light.
    half, soft = d.uniform(4, 30, 1, 1), d.log_uniform(0.3, 6, 1, 1)
    at = torch.rad2deg(view)[:, None, None] + d.normal(1, 1) * 6
    dark = d.uniform(0.02, 0.5, 1, 1)
    block = torch.sigmoid((half - (angle - at).abs()) / soft) * d.chance(0.6, 1, 1)
    light = light * (1 - block * (1 - dark))
    return light * (angle.abs() < 90)


def table_colour(d: Draw) -> Tensor:
    """White paper, grey, wood, dark or any colour: diffuse albedo ``(n, 3)``."""
    white = d.uniform(0.6, 0.9, 1) * d.tint(0.03)
    grey = d.uniform(0.1, 0.6, 1) * d.tint(0.06)
    wood = d.uniform(0.15, 0.65, 1) * torch.stack(
        [torch.ones(d.n, device=d.device), d.uniform(0.55, 0.85), d.uniform(0.25, 0.65)], dim=1
    )
    dark = d.uniform(0.015, 0.1, 1) * d.tint(0.15)
    any_colour = torch.exp(d.uniform(-3.0, -0.1, 3))
    kinds = torch.stack([white, grey, wood, dark, any_colour], dim=1).clamp(0.01, 0.95)
    pick = torch.multinomial(
        torch.tensor([0.38, 0.22, 0.2, 0.1, 0.1], device=d.device),
        d.n,
        replacement=True,
        generator=d.g,
    )
    return kinds[torch.arange(d.n, device=d.device), pick]


def metal(d: Draw) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Normal reflectance ``(n, 3)``, diffuse albedo ``(n, 3)``, roughness ``(n,)``, kind."""
    dev = d.device
    pick = torch.multinomial(
        torch.tensor([0.4, 0.26, 0.2, 0.14], device=dev), d.n, replacement=True, generator=d.g
    )
    copper = torch.tensor([0.95, 0.64, 0.54], device=dev)
    brass = torch.tensor([0.90, 0.76, 0.42], device=dev)
    some = d.chance(0.12, 1)
    base = copper * (1 - some) + brass * some
    base = (base * torch.exp(d.normal(3) * 0.06)).clamp(0.05, 0.98)
    # Thin oxide: salmon to orange to claret; thicker: brown to black with diffuse light.
    level = d.uniform(0, 1, 1)
    film = torch.exp(
        -level
        * torch.cat([d.uniform(0.0, 1.2, 1), d.uniform(0.2, 2.2, 1), d.uniform(0.3, 2.8, 1)], dim=1)
    )
    tarnished = base * film
    white_metal = d.uniform(0.45, 0.9, 1) * d.tint(0.04)
    dielectric = d.uniform(0.03, 0.08, 1).expand(-1, 3)
    reflect = torch.stack([base, tarnished, white_metal, dielectric], dim=1)
    brown = torch.exp(d.uniform(-3.8, -1.2, 1)) * torch.stack(
        [torch.ones(d.n, device=dev), d.uniform(0.4, 0.85), d.uniform(0.2, 0.75)], dim=1
    )
    green = d.uniform(0.1, 0.6, 1) * torch.stack(
        [d.uniform(0.3, 0.8), torch.ones(d.n, device=dev), d.uniform(0.6, 1.0)], dim=1
    )
    paint = torch.exp(d.uniform(-3.5, -0.2, 3))
    which = d.chance(0.5, 1)
    coat = green * which + paint * (1 - which)
    diffuse = torch.stack([brown * d.chance(0.3, 1) * 0.3, brown, 0.1 * brown, coat], dim=1)
    rough = torch.stack(
        [
            d.log_uniform(0.004, 0.25),
            d.log_uniform(0.05, 0.5),
            d.log_uniform(0.02, 0.4),
            d.log_uniform(0.03, 0.5),
        ],
        dim=1,
    )
    rows = torch.arange(d.n, device=dev)
    return reflect[rows, pick], diffuse[rows, pick], rough[rows, pick], pick


def draw_codes(d: Draw) -> tuple[Tensor, Tensor, Tensor]:  # noqa: PLR0915
    """Return ``(n, FINE, 3)`` codes over ``REACH`` radii to both sides, widths in px, kinds."""
    n, device = d.n, d.device
    s = torch.linspace(-REACH, REACH, FINE, device=device)[None, :]
    view = torch.deg2rad((d.normal() * 9).clamp(-28, 28))
    env = environment(d, view)
    lift = d.chance(0.15) * d.uniform(0, 1.0)
    height = (1 + lift)[:, None]
    sin_v, cos_v = torch.sin(view)[:, None], torch.cos(view)[:, None]

    # Light on the table: what the wire leaves free, and a little back from the wire.
    step = 2 * pi / (ENV_BINS - 1)
    angle = torch.linspace(-pi, pi, ENV_BINS, device=device)[None, :, None]
    falling = torch.cumsum(env * torch.cos(angle).clamp_min(0) * step, dim=1)
    open_sky = falling[:, -1:, :]
    reflect, diffuse, rough, kind = metal(d)
    albedo = table_colour(d)
    bounce = 0.35 * reflect.unsqueeze(1) + 0.5 * diffuse.unsqueeze(1)
    texture_cells = 2048
    span = 16.0
    amp = d.log_uniform(0.003, 0.12)[:, None, None]
    grey_noise = rough_noise(d, texture_cells, 1, d.log_uniform(2, 150))
    hue_noise = rough_noise(d, texture_cells, 3, d.log_uniform(4, 200))
    texture = torch.exp(amp * (grey_noise + 0.35 * hue_noise))
    place = torch.linspace(-span, span, texture_cells, device=device)[None, :, None]
    for _ in range(2):  # a printed line, a plank's joint, another piece, beside the wire
        at = d.uniform(1.5, 5, 1, 1) * (2 * d.chance(0.5, 1, 1) - 1)
        half = d.log_uniform(0.03, 1.2, 1, 1)
        ink = torch.exp(d.normal(1, 3) * 0.7) * d.chance(0.16, 1, 1)
        ink = torch.where(ink > 0, ink, torch.ones_like(ink))
        inside = torch.sigmoid((half - (place - at).abs()) / 0.02)
        texture = texture * (1 + (ink - 1) * inside)

    def table_light(x: Tensor) -> Tensor:
        toward = torch.atan2(-x, height.expand_as(x))
        half = torch.asin((1 / torch.sqrt(x * x + height * height)).clamp(max=1))
        bins = lambda a: (a.clamp(-pi / 2, pi / 2) + pi) / step  # noqa: E731
        blocked = lookup(falling, bins(toward + half)) - lookup(falling, bins(toward - half))
        share = (
            (
                torch.sin((toward + half).clamp(-pi / 2, pi / 2))
                - torch.sin((toward - half).clamp(-pi / 2, pi / 2))
            )
            / 2
        ).unsqueeze(-1)
        free = open_sky - blocked + bounce * share * open_sky
        paint = lookup(texture, (x + span) / (2 * span) * (texture_cells - 1))
        return albedo.unsqueeze(1) * paint * free / pi * 1.57

    # Rays past the wire.
    t = (height + s * sin_v) / cos_v
    beside = table_light(s * cos_v + t * sin_v)

    # Rays onto the wire.
    inside = s.clamp(-0.9999, 0.9999)
    facing = torch.sqrt(1 - inside**2)
    fresnel = reflect.unsqueeze(1) + (1 - reflect.unsqueeze(1)) * ((1 - facing) ** 5).unsqueeze(-1)
    normal_angle = torch.asin(inside) - view[:, None]  # from straight up
    px, pz = torch.sin(normal_angle), height + torch.cos(normal_angle)
    quantile = torch.special.ndtri((torch.arange(ROUGH_RAYS, device=device) + 0.5) / ROUGH_RAYS)
    mirrored = torch.zeros(n, FINE, 3, device=device)
    for q in quantile:
        # A ray from above comes back at twice the normal's angle, plus where it came from.
        out = 2 * (normal_angle + q * rough[:, None]) + view[:, None]
        out = torch.remainder(out + pi, 2 * pi) - pi
        up = torch.cos(out)
        sky = lookup(env, (out + pi) / step)
        hit = px + pz * torch.sin(out) / (-up).clamp_min(0.02)
        low = table_light(hit.clamp(-15, 15))
        mirrored = mirrored + torch.where((up > 0).unsqueeze(-1), sky, low)
    mirrored = mirrored / ROUGH_RAYS
    # Diffuse: sky over the tilted surface, the shaded table under it.
    normals = torch.linspace(-pi, pi, 181, device=device)
    weight = torch.cos(normals[:, None] - angle[0, :, 0][None, :]).clamp_min(0) * step
    received = torch.einsum("kb,nbc->nkc", weight, env)
    from_sky = lookup(received, (normal_angle + pi) / (2 * pi) * 180) / pi * 1.57
    side = torch.sign(normal_angle)
    from_table = table_light(side * (1.2 + facing)) * ((1 - torch.cos(normal_angle)) / 2).unsqueeze(
        -1
    )
    streak = torch.exp(
        d.log_uniform(0.003, 0.2)[:, None, None] * rough_noise(d, FINE, 1, d.log_uniform(2, 60))
    )
    body = diffuse.unsqueeze(1) * (from_sky + from_table)
    on_wire = (fresnel * mirrored + body) * streak
    plain = d.chance(0.25)[:, None, None]
    on_wire = torch.where(
        plain > 0, _plainly_lit(d, normal_angle, reflect, diffuse) * streak, on_wire
    )
    beside = torch.where(
        plain > 0,
        albedo.unsqueeze(1)
        * lookup(texture, ((s * cos_v + t * sin_v) + span) / (2 * span) * (texture_cells - 1))
        * _plain_shadow(d, s),
        beside,
    )
    scene = torch.where((s.abs() < 1).unsqueeze(-1), on_wire, beside)

    return _photographed(d, scene, albedo, kind)


def _plainly_lit(d: Draw, normal: Tensor, reflect: Tensor, diffuse: Tensor) -> Tensor:
    """Matte shading with a gloss or two: what simpler optics, or a dull film, show."""
    body = torch.maximum(reflect * d.uniform(0.3, 1.0, 1), diffuse).unsqueeze(1)
    lamp = d.uniform(-1.2, 1.2, 1)
    facing = torch.cos(normal - lamp).clamp_min(0) ** d.uniform(0.6, 1.5, 1)
    ambient = d.uniform(0.05, 0.8, 1)
    light = body * (ambient + (1 - ambient) * facing).unsqueeze(-1)
    for _ in range(2):
        at, half = d.uniform(-0.7, 0.7, 1), d.log_uniform(0.03, 0.4, 1)
        power = d.log_uniform(0.05, 2.0, 1) * d.chance(0.7, 1)
        gloss = power * torch.exp(-(((normal - at) / half) ** 2))
        light = light + gloss.unsqueeze(-1) * torch.lerp(
            body, torch.ones_like(body), d.uniform(0, 1, 1, 1)
        )
    return light


def _plain_shadow(d: Draw, s: Tensor) -> Tensor:
    """Darker beside the wire, on either side by its own amount and reach."""
    beyond = (s.abs() - 1).clamp_min(0)
    factor = torch.ones_like(s)
    for side in (s < 0, s >= 0):
        depth = d.uniform(0, 0.8, 1) * d.chance(0.8, 1)
        reach = d.log_uniform(0.08, 3.0, 1)
        hard = torch.sigmoid((reach - beyond) / (0.15 * reach))
        soft = torch.exp(-beyond / reach)
        kind = d.chance(0.4, 1)
        factor = torch.where(side, 1 - depth * (kind * hard + (1 - kind) * soft), factor)
    return factor.unsqueeze(-1)


def _photographed(
    d: Draw, scene: Tensor, albedo: Tensor, kind: Tensor
) -> tuple[Tensor, Tensor, Tensor]:
    device = d.device
    far = scene[:, : FINE // 4].mean(dim=(1, 2)) + scene[:, -FINE // 4 :].mean(dim=(1, 2))
    bright = torch.quantile(scene.mean(dim=2), 0.97, dim=1)
    level = (albedo.mean(dim=1) ** 0.5 * d.uniform(0.35, 1.1)).clamp(0.02, 0.92)
    by_table = level / (far / 2).clamp_min(1e-5)
    by_bright = d.uniform(0.5, 1.6) / bright.clamp_min(1e-5)
    mix = d.uniform(0, 1)
    exposure = torch.exp(mix * torch.log(by_table) + (1 - mix) * torch.log(by_bright))
    balance = d.tint(0.06)
    light = scene * (exposure[:, None] * balance).unsqueeze(1)

    width_px = d.log_uniform(5.5, 240)
    step_px = (2 * REACH / (FINE - 1)) * width_px / 2
    sigma_px = d.log_uniform(0.45, 2.0)
    f = torch.fft.rfftfreq(FINE, device=device)[None, :, None]

    def gauss(sigma: Tensor) -> Tensor:
        return torch.exp(-2 * (pi * f * (sigma / step_px)[:, None, None]) ** 2)

    # One pixel is 1 / step_px fine cells wide.
    box = torch.sinc(f * (1 / step_px)[:, None, None])
    blurred = torch.fft.irfft(torch.fft.rfft(light, dim=1) * gauss(sigma_px) * box, n=FINE, dim=1)
    code = coded(blurred.clamp(0, 1))
    bend = torch.exp(d.normal(1, 1) * 0.12)
    contrast = d.uniform(-0.05, 0.18, 1, 1)
    code = code**bend
    code = code + contrast * torch.sin(2 * pi * (code - 0.5)) / (2 * pi) * 1.5
    # Luma is sharpened, chroma is halved in resolution.
    luma = code @ torch.tensor([0.299, 0.587, 0.114], device=device)
    chroma = code - luma.unsqueeze(-1)
    spectrum = torch.fft.rfft(luma.unsqueeze(-1), dim=1)
    amount = (d.uniform(0, 1.0) * d.chance(0.7))[:, None, None]
    sharp = spectrum * (1 + amount * (1 - gauss(d.uniform(0.7, 2.0))))
    luma = torch.fft.irfft(sharp, n=FINE, dim=1)
    chroma = torch.fft.irfft(
        torch.fft.rfft(chroma, dim=1) * gauss(d.uniform(0.3, 1.3)), n=FINE, dim=1
    )
    code = luma + chroma

    return code, width_px, kind


def softened(code: Tensor, sigma: Tensor) -> Tensor:
    """Return ``(n, m, c)`` blurred along m by a Gaussian of ``(n,)`` sigmas, in samples."""
    count = code.shape[1]
    f = torch.fft.rfftfreq(count, device=code.device)[None, :, None]
    shape = torch.exp(-2 * (pi * f * sigma[:, None, None]) ** 2)
    return torch.fft.irfft(torch.fft.rfft(code, dim=1) * shape, n=count, dim=1)


def coded(light: Tensor) -> Tensor:
    """Linear light to sRGB codes, 0 to 1."""
    return torch.where(
        light <= 0.0031308, 12.92 * light, 1.055 * light.clamp_min(1e-6) ** (1 / 2.4) - 0.055
    )


def decoded(code: Tensor) -> Tensor:
    """sRGB codes, 0 to 1, to linear light."""
    return torch.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)

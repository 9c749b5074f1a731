"""Trains the network `wall`, which reads soot off an unwrapped wall: `python -m studio.train_wall FOLDER OUT.onnx`.

FOLDER holds the walls of `studio.walls`. Soot is laid on clean ones anew every time: light times one minus an opacity
that is greatest at the rim and fades downward, on an arc or all round. Some walls are painted instead of rendered, with
shadows, reflections and labels of every form, so that nothing but the form of soot is taken for soot. PyTorch, one
core, minutes. The weights that ship came from three such runs, each going on from the last one's (`--start`), the first
without painted walls and photos.
"""

from __future__ import annotations

import argparse
import pickle
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812

from pooleye.optics.colour import linear_to_lightness
from pooleye.optics.planes import SECTORS
from pooleye.top.soot import CHANNELS, as_seen, clean_profile
from pooleye.top.wallband import BAND_MM, COLUMNS, PER_SECTOR, ROW_MM, ROWS, Band

Array = NDArray[np.float64]
Wall = dict[str, Any]
DEPTH = (np.arange(ROWS) + 0.5) * ROW_MM
CLOCK = (np.arange(COLUMNS) + 0.5) * 2 * np.pi / COLUMNS
WRAP = 17  # columns that the convolutions reach to either side
PAINTED, PHOTOS, REAL_SOOT, CLEAN, WITH_BASELINE = 0.3, 0.15, 0.25, 0.35, 0.7  # shares of what is shown
BATCH, POOL = 32, 6000
NOTHING = np.ones(3)


# --- soot and painted walls -------------------------------------------------------------------------------------------


def wave(rng: np.random.Generator, scale: float, first: int, last: int) -> Array:
    """A smooth closed deviation of about ± scale round the clock."""
    parts = [rng.normal() / k * np.cos(k * CLOCK + rng.uniform(0, 6.28)) for k in range(first, last)]
    return np.asarray(scale * np.sum(parts, axis=0))


def around(angle: float) -> Array:
    return np.angle(np.exp(1j * (CLOCK - angle)))


def opacity(rng: np.random.Generator) -> Array:
    """(ROWS, COLUMNS) of a coat of soot."""
    arc = np.ones(COLUMNS)
    if rng.random() >= 0.15:
        spots = [
            rng.uniform(0.3, 1) * np.exp(-((around(rng.uniform(0, 6.28)) / rng.uniform(0.12, 1.2)) ** 2))
            for _ in range(rng.integers(1, 5))
        ]
        arc = np.max(spots, axis=0) / np.max(spots)
    arc = np.clip(rng.uniform(0.08, 0.95) * arc * (1 + wave(rng, rng.uniform(0, 0.3), 2, 14)), 0, 0.98)
    depth = np.clip(rng.uniform(5, 24) * (1 + wave(rng, 0.12, 1, 5)), 3, 40)
    fade = np.clip(1 - DEPTH[:, None] / depth, 0, 1) ** rng.uniform(0.6, 1.7)
    blotch = np.clip(rng.normal(size=(ROWS // 2, COLUMNS // 2)), -1.5, 1.5).repeat(2, 0).repeat(2, 1)
    return np.clip(arc * fade * (1 + rng.uniform(0, 0.4) * blotch), 0, 0.98)


def patch(rng: np.random.Generator) -> dict[str, Any]:
    """A shadow, reflection or label: a window of clock and depth with edges, brighter or darker than the rest."""
    top = rng.uniform(-8, 12)
    return {
        "at": rng.uniform(0, 6.28), "half": rng.uniform(0.05, 1.6), "edge": rng.uniform(0.01, 0.3), "top": top,
        "bottom": top + rng.uniform(1, 25), "soft": np.exp(rng.uniform(np.log(0.1), np.log(3))),
        "bow": rng.uniform(0, 8) * (rng.random() < 0.5), "by": rng.normal(0, 0.8) + rng.normal(0, 0.3, 3),
    }  # fmt: skip


def step(x: Array, width: float) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(x / width, -30, 30))))


def laid(log_light: Array, one: dict[str, Any], turn: float = 0.0) -> Array:
    away = around(one["at"] + turn)
    depth = DEPTH[:, None] + one["bow"] * away**2
    here = step(one["half"] - np.abs(away), one["edge"]) * step(depth - one["top"], one["soft"])
    return log_light + (here * step(one["bottom"] - depth, one["soft"]))[..., None] * one["by"]


def painted_light(vessel: dict[str, Any], rng: np.random.Generator, turn: float, wax_mm: float) -> Array:
    """Linear light (ROWS, COLUMNS, 3) of a clean wall in some room."""
    slope = rng.normal(0, 0.25) + wave(rng, rng.uniform(0, 0.5), 1, 6)
    bend = rng.normal(0, 0.2) + wave(rng, rng.uniform(0, 0.3), 1, 4)
    log = DEPTH[:, None] / 10 * slope + (((DEPTH - 6) / 10) ** 2)[:, None] * bend
    log = log + wave(rng, rng.uniform(0, 0.9), 1, 6) + wave(rng, rng.uniform(0, 0.25), 4, 20)
    log = log + np.log(1 - vessel["lip_shade"] * np.exp(-DEPTH / vessel["lip_reach"]) * rng.uniform(0.6, 1.2))[:, None]
    if rng.random() < 0.6:  # the corner where wall and wax meet
        corner = np.exp(-np.maximum(wax_mm - DEPTH, 0) / rng.uniform(0.5, 5))[:, None]
        log = log - rng.uniform(0, 1) * corner * (1 + wave(rng, 0.3, 1, 4))
    light = log[..., None] + vessel["colour"] + rng.normal(0, 0.15, 3) * wave(rng, 0.5, 1, 3)[:, None]
    for one in vessel["labels"]:
        light = laid(light, one, turn)
    for _ in range(rng.integers(0, 5)):
        light = laid(light, patch(rng))
    light = light + (vessel["streaks"] * rng.normal(size=COLUMNS))[:, None]
    light = np.exp(light + rng.uniform(0, 0.05) * rng.normal(size=(ROWS, COLUMNS, 1)))
    if rng.random() < 0.5:
        light = light + rng.uniform(0, 0.15) * np.quantile(light, 0.8)  # flare
    return np.clip(light * rng.uniform(0.1, 0.9) / np.quantile(light[..., 1], rng.uniform(0.6, 1)), 0, 1)


def painted(rng: np.random.Generator) -> dict[str, Any]:
    """A wall and the same vessel's wall before, in other light and another pose."""
    vessel = {
        "colour": rng.normal(-1, 0.8) + rng.normal(0, 0.35, 3), "streaks": rng.uniform(0, 0.1),
        "lip_shade": rng.uniform(0, 0.5) * (rng.random() < 0.5), "lip_reach": rng.uniform(0.4, 3),
        "labels": [patch(rng) for _ in range(rng.integers(0, 3))] if rng.random() < 0.3 else [],
    }  # fmt: skip
    wax, radius = float(np.exp(rng.uniform(np.log(3), np.log(45)))), rng.uniform(18, 50)

    def wall(wax_mm: float, turn: float, lit: bool) -> Wall:
        lens, tilt = rng.uniform(1.8, 4.5) * 2 * radius, np.radians(abs(rng.normal(0, 11)))
        slope = radius / lens + np.tan(tilt) * np.cos(around(rng.uniform(0, 6.28)))  # mm seen per mm of depth
        ppm = np.clip(rng.uniform(3, 7) * slope, 0.02, 6)
        above_wax = np.less(DEPTH, wax_mm - 0.4)
        seen = above_wax[:, None] & (slope > 0.02) & (DEPTH[:, None] * ppm > 0.9)
        px = np.where(seen.any(0), ppm * rng.uniform(10, 25), 0.0)
        return {"linear": painted_light(vessel, rng, turn, wax_mm), "seen": seen, "ppm": ppm, "px": px, "lit": lit}

    now, before = wall(wax, 0.0, bool(rng.random() < 0.7)), wall(wax * rng.uniform(0.5, 1), rng.uniform(0, 6.28), False)
    return {"now": [(now, None)], "before": [(before, None)]}


# --- what is shown to the network -------------------------------------------------------------------------------------


def turned(wall: Wall, by: int, mirrored: bool) -> Wall:
    out = {name: np.roll(wall[name], by, 1 if wall[name].ndim > 1 else 0) for name in ("linear", "seen", "px", "ppm")}
    if mirrored:
        out = {name: v[:, ::-1] if v.ndim > 1 else v[::-1] for name, v in out.items()}
    return out | {"lit": wall["lit"]}


def bare(vessel: dict[str, Any], rng: np.random.Generator) -> Wall:
    """One of its walls without soot."""
    walls = [pair[1] or pair[0] for pair in vessel["now"]] + [wall for wall, _ in vessel["before"]]
    return walls[rng.integers(len(walls))]


def band_of(wall: Wall, linear: Array, seen: NDArray[np.bool_]) -> Band:
    return Band(
        linear, seen, DEPTH, NOTHING, NOTHING, np.full((COLUMNS, 3), np.nan), wall["px"], wall["ppm"], wall["lit"]
    )


def example(vessels: list[Any], photos: list[Any], rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """(shown, change of L* by column, wall that each column shows)."""
    chance = rng.random()
    if photos and chance < PHOTOS:
        vessel = photos[rng.integers(len(photos))]
    elif chance < PHOTOS + PAINTED:
        vessel = painted(rng)
    else:
        vessel = vessels[rng.integers(len(vessels))]
    way, real = rng.random(), [pair for pair in vessel["now"] if pair[1] is not None]
    by, mirrored = int(rng.integers(COLUMNS)), bool(rng.random() < 0.5)
    gain, white, gamma = np.exp(rng.uniform(-0.7, 0.25)), np.exp(rng.normal(0, 0.08, 3)), rng.uniform(0.85, 1.2)

    def toned(light: Array) -> Array:
        return np.clip(light * gain * white, 0, 1) ** gamma

    if real and way < REAL_SOOT:
        wall, twin = (turned(one, by, mirrored) for one in real[rng.integers(len(real))])
        sooty, clean = toned(wall["linear"]), toned(twin["linear"])
    else:
        wall = turned(bare(vessel, rng), by, mirrored)
        clean = toned(wall["linear"])
        sooty = clean if way > 1 - CLEAN else toned(wall["linear"] * (1 - opacity(rng))[..., None])
    seen = wall["seen"] & (linear_to_lightness(clean) < 99)
    if not seen.any():
        return example(vessels, photos, rng)
    noise = rng.normal(0, rng.uniform(0, 0.006), sooty.shape) * np.sqrt(sooty + 0.01)
    profile = None
    if rng.random() < WITH_BASELINE:
        before = vessel["before"][rng.integers(len(vessel["before"]))][0]
        other = np.clip(before["linear"] * np.exp(rng.uniform(-0.5, 0.2)), 0, 1) ** gamma
        profile = clean_profile(band_of(before, other, before["seen"]), NOTHING)
    shown = as_seen(band_of(wall, np.clip(sooty + noise, 0, 1), seen), profile)
    change = np.where(seen, linear_to_lightness(sooty) - linear_to_lightness(clean), 0.0)
    counted = seen & (DEPTH < BAND_MM)[:, None]
    rows = counted.sum(0)
    return shown, (change * counted).sum(0) / np.maximum(rows, 1), np.where(rows > 0, wall["px"], 0.0)


# --- the network ------------------------------------------------------------------------------------------------------


class Wall2Soot(nn.Module):
    """Down the wall first, then round the clock: change of L* by column, and how far it may be off."""

    def __init__(self, c: int = 16) -> None:
        super().__init__()
        down = [(CHANNELS, c, 1), (c, c, 2), (c, c + 8, 2)]
        self.down = nn.ModuleList(nn.Conv2d(i, o, 3, stride=(s, 1), padding=(1, 0)) for i, o, s in down)
        self.whole = nn.Conv2d(c + 8, 40, (-(-ROWS // 4), 1))
        self.round = nn.ModuleList(nn.Conv2d(i, 32, (1, 5), dilation=(1, d)) for i, d in ((40, 1), (32, 2), (32, 4)))
        self.out = nn.Conv2d(32, 2, 1)

    def forward(self, x: Tensor) -> Tensor:
        x = torch.cat([x[..., -WRAP:], x, x[..., :WRAP]], -1)
        for layer in (*self.down, self.whole, *self.round):
            x = F.relu(layer(x))
        x = self.out(x)[:, :, 0]
        return torch.stack([-10 * F.softplus(x[:, 0] - 1.5), F.softplus(x[:, 1]) + 0.25], 1)


def loss_of(out: Tensor, true: Tensor, px: Tensor) -> Tensor:
    """By sector: a mean of robust kind, its scale (Laplace), and something extra for soot on clean walls."""
    wall = px.view(len(px), SECTORS, PER_SECTOR)
    area = wall.sum(2)

    def by_sector(values: Tensor) -> Tensor:
        return (values.view_as(wall) * wall).sum(2) / area.clamp(min=1e-6)

    shown = area > 4
    found, told, scale = by_sector(out[:, 0]), by_sector(true), by_sector(out[:, 1]).clamp(min=0.25)
    error = (found - told).abs().detach()
    off = F.smooth_l1_loss(found, told, reduction="none", beta=5.0)
    sectors = ((error / scale + scale.log() + 0.7 * off) * shown).sum() / shown.sum()
    columns = ((out[:, 0] - true).abs() * (px > 0)).sum() / (px > 0).sum()
    clean = (told > -0.3) & shown
    false = (F.relu(-found - 1.5) * clean).sum() / clean.sum().clamp(min=1)
    return sectors + 0.15 * columns + 0.25 * false


def train(vessels: list[Any], photos: list[Any], seconds: float, start: Path | None) -> Wall2Soot:
    torch.set_num_threads(1)  # so small a net only waits for other threads
    net, rng, started = Wall2Soot(), np.random.default_rng(0), time.monotonic()
    if start is not None:
        net.load_state_dict(torch.load(start))
    best = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-3)
    seen = [example(vessels, photos, rng) for _ in range(1500)]
    while (done := (time.monotonic() - started) / seconds) < 1:
        for group in best.param_groups:
            group["lr"] = 1e-3 * min(1.0, 20 * done) * (1 + np.cos(np.pi * done))
        for _ in range(6):
            seen[rng.integers(len(seen))] = example(vessels, photos, rng)
        seen += [example(vessels, photos, rng) for _ in range(4 if len(seen) < POOL else 0)]
        by, some = int(rng.integers(COLUMNS)), [seen[k] for k in rng.integers(len(seen), size=BATCH)]
        x, y, px = (
            torch.tensor(np.roll(np.stack(part), by, -1), dtype=torch.float32) for part in zip(*some, strict=True)
        )
        loss = loss_of(net(x), y, px)
        best.zero_grad()
        loss.backward()
        if torch.isfinite(nn.utils.clip_grad_norm_(net.parameters(), 1.0)):
            best.step()
    return net


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("folder", type=Path)
    p.add_argument("out", type=Path)
    p.add_argument("--start", type=Path, help="go on from an earlier run's OUT.pt")
    p.add_argument("--seconds", type=float, default=1200.0)
    a = p.parse_args()
    vessels, photos = ([pickle.loads(f.read_bytes()) for f in sorted(a.folder.glob(k))] for k in ("*.wall", "*.photo"))
    net = train(vessels, photos, a.seconds, a.start)
    torch.save(net.state_dict(), a.out.with_suffix(".pt"))
    torch.onnx.export(
        net, torch.zeros(1, CHANNELS, ROWS, COLUMNS), str(a.out), input_names=["band"], output_names=["soot"],
        opset_version=13, dynamo=False,
    )  # fmt: skip


if __name__ == "__main__":
    main()

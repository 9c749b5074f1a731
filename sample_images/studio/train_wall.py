"""Trains the network `wall`, which reads soot off walls: `python -m studio.train_wall OUT.onnx WALLS.npz ...`.

The walls are those of `studio.walls`. Each is shown anew every time: with its own soot, without, or with soot laid
on as physics has it, light times one minus an opacity that is greatest at the rim and fades downward, on an arc or all
round; in a new exposure, white balance and tone, with noise, turned and mirrored, with or without its baseline.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812
from torch.utils.data import DataLoader, IterableDataset

from pooleye.optics.colour import linear_to_lightness, linear_to_srgb, srgb_to_linear
from pooleye.optics.planes import SECTORS
from pooleye.top.soot import CHANNELS, one_photo
from pooleye.top.wallband import COLUMNS, DEPTH_MM, JUDGED_ROWS, PER_SECTOR, RINGS, ROWS

Array = NDArray[np.float64]
Walls = dict[str, NDArray[Any]]
CLOCK = (np.arange(COLUMNS) + 0.5) * 2 * np.pi / COLUMNS
KEPT_APART = 10  # every so many-th wall is not learnt from
BATCH = 48
LAID, BARED = 0.35, 0.1  # shares of walls on which soot is laid; of sooty ones that are shown without
WITH_BASELINE, WITH_TURN, TURN_OFF_DEG = 0.75, 0.5, 6.0
SLIVER = 4
PAINTED, PAINTED_SHARE = 1000, 0.08
PARTS = ("light", "seen", "around", "px", "ppm", "mark", "lit")
ALL = ("seed", "kind", "sooty", "ratio", *PARTS, *(f"before_{name}" for name in PARTS))
PLANES = 2 * CHANNELS + 4


def read(paths: list[Path]) -> Walls:
    """All walls, the photo's band of each at the true pose and at one that is off."""
    files = [np.load(path) for path in paths]
    walls = {name: np.concatenate([file[name] for file in files]) for name in ALL}
    for name in ("seen", "before_seen"):
        bits = np.unpackbits(walls[name], axis=-1, count=ROWS * COLUMNS).astype(bool)
        walls[name] = bits.reshape(*walls[name].shape[:-1], ROWS, COLUMNS)
    return walls


def joined(parts: list[Walls]) -> Walls:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def some(walls: Walls, which: NDArray[np.intp]) -> Walls:
    return {name: values[which] for name, values in walls.items()}


# --- soot laid on -----------------------------------------------------------------------------------------------------


def wave(rng: np.random.Generator, scale: float, first: int, last: int) -> Array:
    """A smooth closed deviation of about ± scale round the clock."""
    parts = [rng.normal() / k * np.cos(k * CLOCK + rng.uniform(0, 6.28)) for k in range(first, last)]
    return np.asarray(scale * np.sum(parts, axis=0))


def opacity(rng: np.random.Generator) -> Array:
    """(ROWS, COLUMNS) of a coat of soot."""
    arc = np.ones(COLUMNS)
    if rng.random() >= 0.2:
        spots = []
        for _ in range(rng.integers(1, 4)):
            away = np.angle(np.exp(1j * (CLOCK - rng.uniform(0, 6.28))))
            spots.append(rng.uniform(0.3, 1) * np.exp(-((away / rng.uniform(0.2, 1.4)) ** 2)))
        arc = np.max(spots, axis=0) / np.max(spots)
    arc = np.clip(rng.uniform(0.1, 0.95) * arc * (1 + wave(rng, rng.uniform(0, 0.25), 2, 10)), 0, 0.98)
    depth = np.clip(rng.uniform(5, 26) * (1 + wave(rng, 0.15, 1, 5)), 2, 40)
    fade = np.clip(1 - DEPTH_MM[:, None] / depth, 0, 1) ** rng.uniform(0.6, 1.6)
    blotch = np.clip(rng.normal(size=(ROWS // 2, COLUMNS // 2)), -1.5, 1.5).repeat(2, 0).repeat(2, 1)
    return np.clip(arc * fade * (1 + rng.uniform(0, 0.3) * blotch), 0, 0.98)


# --- painted walls ----------------------------------------------------------------------------------------------------


def step(x: Array, width: float) -> Array:
    return np.asarray(1 / (1 + np.exp(-np.clip(x / width, -30, 30))))


def patch(rng: np.random.Generator) -> Array:
    """(ROWS, COLUMNS, 3) logarithm of what a shadow, reflection or label does to the light: a window of clock and depth
    with edges, brighter or darker than the rest, straight or bowed."""
    away = np.angle(np.exp(1j * (CLOCK - rng.uniform(0, 6.28))))
    depth = DEPTH_MM[:, None] + rng.uniform(0, 8) * (rng.random() < 0.6) * away**2
    top, soft = rng.uniform(-8, 12), np.exp(rng.uniform(np.log(0.05), np.log(0.6)))  # softer ones look like soot
    here = step(rng.uniform(0.05, 1.6) - np.abs(away), rng.uniform(0.01, 0.3)) * step(depth - top, soft)
    here = here * step(top + rng.uniform(1, 25) - depth, soft)
    return here[..., None] * (rng.normal(0, 0.6) + rng.normal(0, 0.25, 3))


def painted_light(vessel: Walls, rng: np.random.Generator, wax_mm: float) -> Array:
    """Linear light (ROWS, COLUMNS, 3) of a clean wall in some room."""
    slope = rng.normal(0, 0.08) + wave(rng, rng.uniform(0, 0.15), 1, 4)
    bend = rng.normal(0, 0.06) + wave(rng, rng.uniform(0, 0.1), 1, 4)
    log = DEPTH_MM[:, None] / 10 * slope + (((DEPTH_MM - 6) / 10) ** 2)[:, None] * bend * (DEPTH_MM < 16)[:, None]
    log = log + wave(rng, rng.uniform(0, 0.9), 1, 6) + wave(rng, rng.uniform(0, 0.25), 4, 20)
    if rng.random() < 0.6:  # the corner where wall and wax meet
        log = log - rng.uniform(0, 0.7) * np.exp(-np.maximum(wax_mm - DEPTH_MM, 0) / rng.uniform(0.5, 5))[:, None]
    light = log[..., None] + vessel["colour"] + rng.normal(0, 0.15, 3) * wave(rng, 0.5, 1, 3)[:, None]
    light = light + np.sum([patch(rng) for _ in range(rng.integers(1, 5))], 0)
    light = light + (vessel["streaks"] * rng.normal(size=COLUMNS))[:, None]
    light = np.exp(light + rng.uniform(0, 0.05) * rng.normal(size=(ROWS, COLUMNS, 1)))
    return light * rng.uniform(0.15, 0.7) / np.quantile(light[..., 1], 0.7)


def painted(count: int, rng: np.random.Generator) -> Walls:
    """Clean walls of no material, with shadows, reflections and labels of every form, and the same vessels' before."""
    rows = []
    for k in range(count):
        vessel = {"colour": rng.normal(-1, 0.8) + rng.normal(0, 0.35, 3), "streaks": np.array(rng.uniform(0, 0.1))}
        wax, radius = float(np.exp(rng.uniform(np.log(3), np.log(45)))), rng.uniform(18, 50)
        row: Walls = {}
        for name, depth in (("", wax), ("before_", wax * rng.uniform(0.4, 1))):
            lens, tilt = rng.uniform(1.8, 4.5) * 2 * radius, np.radians(abs(rng.normal(0, 11)))
            slope = radius / lens + np.tan(tilt) * np.cos(CLOCK - rng.uniform(0, 6.28))  # mm seen per mm of depth
            ppm = np.clip(rng.uniform(3, 7) * slope, 0.02, 6)
            seen = np.less(DEPTH_MM, depth - 0.4)[:, None] & (slope > 0.02) & (DEPTH_MM[:, None] * ppm > 0.9)
            wax_light, table, lip = rng.uniform(0.2, 0.8, 3), rng.uniform(0.05, 0.5, 3), rng.uniform(0.2, 0.7, 3)
            rings = np.stack([wax_light, wax_light, lip, *[table] * (len(RINGS) - 3)])[:, None, :]
            shade = np.exp(wave(rng, 0.3, 1, 6))[None, :, None] * np.exp(rng.normal(0, 0.05, (len(RINGS), COLUMNS, 1)))
            row |= {
                f"{name}light": painted_light(vessel, rng, depth).astype(np.float16) * seen[..., None],
                f"{name}seen": seen, f"{name}around": (rings * shade).astype(np.float16),
                f"{name}px": np.where(seen.any(0), ppm * rng.uniform(10, 25), 0.0).astype(np.float16),
                f"{name}ppm": ppm.astype(np.float16), f"{name}mark": np.float32(np.nan),
                f"{name}lit": np.bool_(not name and rng.random() < 0.7),
            }  # fmt: skip
        ratio = np.full((ROWS, COLUMNS), 250, np.uint8)
        poses = {name: np.stack([row[name]] * 2) for name in ("light", "seen", "px", "ppm")}
        about = {"seed": np.int64(k * KEPT_APART + 1), "kind": np.int8(-1), "sooty": np.bool_(False)}
        rows.append(row | poses | about | {"ratio": np.stack([ratio] * 2)})
    return {name: np.stack([row[name] for row in rows]) for name in rows[0]}


def changed(rng: np.random.Generator, count: int) -> Array:
    """(count, ROWS, COLUMNS, 3): other light and other glass on a wall that has been shown before."""
    out = np.zeros((count, ROWS, COLUMNS, 3))
    for one in out:
        if rng.random() < 0.6:
            one += (wave(rng, rng.uniform(0, 0.5), 1, 6) + rng.normal(0, 0.04) * DEPTH_MM[:, None] / 10)[..., None]
            one += rng.normal(0, 0.2, 3)
        if rng.random() < 0.25:
            one += np.sum([patch(rng) for _ in range(rng.integers(1, 3))], 0)
    return np.exp(out)


# --- the phone --------------------------------------------------------------------------------------------------------


class Phone:
    """Exposure, white balance, veiling glare and tone of a batch of photos."""

    def __init__(self, rng: np.random.Generator, count: int, tone: Phone | None = None) -> None:
        def each(values: Array) -> Array:
            return values.reshape(count, 1, 1, -1)

        self.gain = each(np.exp(rng.uniform(-1.1, 0.7, count)))
        self.white = each(np.exp(rng.normal(0, 0.1, (count, 3))))
        self.veil = each(rng.uniform(0, 0.04, count) * (rng.random(count) < 0.6))
        self.contrast = tone.contrast if tone else each(rng.uniform(0, 0.5, count))
        self.colour = tone.colour if tone else each(rng.uniform(0.95, 1.3, count))
        self.noise = each(rng.uniform(0, 0.012, count))

    def picture(self, light: Array, rng: np.random.Generator | None = None) -> Array:
        """Linear light (count, rows, columns, 3) as a photo has it; the noise of `rng`."""
        seen = light * self.gain * self.white + self.veil
        seen = np.where(seen > 0.62, 0.62 + 0.4 * (1 - np.exp(-np.maximum(seen - 0.62, 0) / 0.38)), seen)
        code = linear_to_srgb(seen)
        code = code + self.contrast * code * (1 - code) * (2 * code - 1)
        grey = (code @ [0.2126, 0.7152, 0.0722])[..., None]
        code = grey + self.colour * (code - grey)
        if rng is not None:
            code = code + self.noise * (rng.normal(size=code.shape) + rng.normal(size=(*code.shape[:-1], 1)))
        return srgb_to_linear(np.clip(code, 0, 1)).astype(float)


# --- what is shown to the network -------------------------------------------------------------------------------------


def rolled(by: NDArray[np.intp], mirrored: NDArray[np.bool_]) -> NDArray[np.intp]:
    """(count, COLUMNS): which column comes to each place."""
    at = (np.arange(COLUMNS) - by[:, None]) % COLUMNS
    return np.where(mirrored[:, None], COLUMNS - 1 - at, at)


def clipped(rng: np.random.Generator, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Some walls end higher, all round or in places: wax or its mirror image is taken to stand there."""
    count = len(seen)
    most = np.where(rng.random(count) < 0.3, rng.uniform(2, 24, count), 99.0)[:, None]
    bent = rng.uniform(0, 10, (count, 1)) * (rng.random((count, 1)) < 0.5)
    most = most + bent * np.cos(CLOCK * rng.integers(1, 4, (count, 1)) - rng.uniform(0, 6.28, (count, 1)))
    return seen & (most[:, None, :] > DEPTH_MM[:, None])


def batch(walls: Walls, rng: np.random.Generator, count: int, plain: bool = False) -> tuple[Array, Array, Array]:
    """(shown, change of L* by column, wall that each column shows). `plain`: with their own soot and baseline only."""
    pick = rng.choice(len(walls["seed"]), size=count, p=walls["share"] / walls["share"].sum())
    pose = rng.integers(walls["light"].shape[1], size=count)
    by, mirrored = rng.integers(COLUMNS, size=count), rng.random(count) < 0.5
    at = rolled(by, mirrored)
    row, place = np.arange(count)[:, None, None], at[:, None, :]

    def here(values: NDArray[Any], rows: int) -> NDArray[Any]:
        return values[row, np.arange(rows)[None, :, None], place]

    light, true = (here(walls["light"][pick, p].astype(np.float32), ROWS) for p in (pose, 0))
    ratio, true_ratio = (here(walls["ratio"][pick, p] / np.float32(250), ROWS) for p in (pose, 0))
    seen, true_seen = (here(walls["seen"][pick, p], ROWS) for p in (pose, 0))
    around = here(walls["around"][pick].astype(np.float32), len(RINGS))
    px, ppm = (np.take_along_axis(walls[name][pick, pose].astype(float), at, 1) for name in ("px", "ppm"))
    coat = np.ones((count, ROWS, COLUMNS))
    bare, true_bare = (one / np.maximum(r, 0.02)[..., None] for one, r in ((light, ratio), (true, true_ratio)))
    if not plain:
        other = changed(rng, count)
        bare, true_bare = bare * other, true_bare * other
    if plain:
        coat, true_coat = ratio, true_ratio
    else:
        own = rng.random(count) >= BARED
        laid = ~(walls["sooty"][pick] & own) & (rng.random(count) < LAID)
        laid |= rng.random(count) < 0.1
        coat = np.stack([1 - opacity(rng) if yes else np.ones((ROWS, COLUMNS)) for yes in laid])
        keep = (own & ~laid)[:, None, None]
        coat, true_coat = np.where(keep, ratio, coat), np.where(keep, true_ratio, coat)
    phone = Phone(rng, count)
    sooty, clean = (phone.picture(true_bare * c) for c in (true_coat[..., None], 1.0))
    change, counted = column_change(linear_to_lightness(sooty) - linear_to_lightness(clean), true_seen)
    seen = clipped(rng, seen)
    photo = phone.picture(bare * coat[..., None], rng)
    seen = seen & (linear_to_lightness(photo) < 99)
    now = one_photo(photo, seen, lost(rng, around, phone), ppm)
    before, told = baseline(walls, pick, by, mirrored, rng, phone)
    told[:, 0] = walls["lit"][pick]
    flags = np.broadcast_to(told[:, :, None, None], (count, 4, *now.shape[2:]))
    shown = np.concatenate([now, before, flags], 1).astype(np.float32)
    return shown, change, np.where(counted & (px > 0), np.maximum(px, 1e-3), 0.0)


def lost(rng: np.random.Generator, around: Array, phone: Phone) -> Array:
    """The rings in the photo; at times the outer ones lie outside of it."""
    picture = np.where((around > 0).any(-1, keepdims=True), np.maximum(phone.picture(around, rng), 1e-6), 0.0)
    least = np.where(rng.random(len(around)) < 0.15, rng.integers(2, len(RINGS), len(around)), len(RINGS))
    return np.where((np.arange(len(RINGS)) < least[:, None])[..., None, None], picture, 0.0)


def baseline(walls: Walls, pick: NDArray[np.intp], by: NDArray[np.intp], mirrored: NDArray[np.bool_],
             rng: np.random.Generator, tone: Phone) -> tuple[Array, Array]:  # fmt: skip
    """The baseline as the network is shown it, and its flags (count, 4)."""
    count = len(pick)
    turn = walls["mark"][pick].astype(float) - walls["before_mark"][pick] + rng.normal(0, TURN_OFF_DEG, count)
    has = rng.random(count) < WITH_BASELINE
    known = has & (rng.random(count) < WITH_TURN) & np.isfinite(turn)
    free = rng.integers(COLUMNS, size=count)
    # first to the photo's own clock, then as the photo was turned and mirrored
    forth = np.round(np.nan_to_num(turn) * COLUMNS / 360).astype(int)
    at = (rolled(by, mirrored) - np.where(known, forth, free)[:, None]) % COLUMNS
    row, place = np.arange(count)[:, None, None], at[:, None, :]
    light, seen, around = (
        walls[f"before_{name}"][pick][row, np.arange(rows)[None, :, None], place]
        for name, rows in (("light", ROWS), ("seen", ROWS), ("around", len(RINGS)))
    )
    ppm = np.take_along_axis(walls["before_ppm"][pick].astype(float), at, 1)
    phone = Phone(rng, count, tone)
    photo = phone.picture(light.astype(np.float32), rng)
    seen = clipped(rng, seen) & (linear_to_lightness(photo) < 99)
    has &= seen.sum((1, 2)) > 0
    shown = one_photo(photo, seen, lost(rng, around.astype(np.float32), phone), ppm) * has[:, None, None, None]
    return shown, np.stack([np.zeros(count), walls["before_lit"][pick] * has, has, known & has], 1).astype(float)


def column_change(change: Array, seen: NDArray[np.bool_]) -> tuple[Array, NDArray[np.bool_]]:
    """Mean change of L* of each column down to BAND_MM, and where there is any; what lies beside the rim's own blurred
    edge is taken to be as the wall next to it, below or, SLIVER columns far, beside."""
    change, seen = np.where(seen, change, 0.0)[:, :JUDGED_ROWS], seen[:, :JUDGED_ROWS].copy()
    for row in range(JUDGED_ROWS - 2, -1, -1):
        filled = ~seen[:, row] & seen[:, row + 1]
        change[:, row] = np.where(filled, change[:, row + 1], change[:, row])
        seen[:, row] |= filled
    mean, known = (change * seen).sum(1) / np.maximum(seen.sum(1), 1), seen.any(1)
    for _ in range(SLIVER):
        for by in (1, -1):
            beside = ~known & np.roll(known, by, 1)
            mean = np.where(beside, np.roll(mean, by, 1), mean)
            known = known | beside
    return mean, known


# --- the network ------------------------------------------------------------------------------------------------------


def round_the_clock(x: Tensor, reach: int) -> Tensor:
    return torch.cat([x[..., -reach:], x, x[..., :reach]], -1)


class Look(nn.Module):
    """One photo: down the wall, to 48 numbers for each column."""

    def __init__(self, c: int = 20) -> None:
        super().__init__()
        self.down = nn.ModuleList(
            nn.Conv2d(i, o, 3, stride=(s, 1), padding=(1, 0))
            for i, o, s in ((CHANNELS, c, 1), (c, c, 2), (c, c + 4, 2))
        )
        self.whole = nn.Conv2d(c + 4, 36, (-(-ROWS // 4), 1))
        self.rings = nn.Conv2d(4, 16, (len(RINGS), 3))

    def forward(self, x: Tensor) -> Tensor:
        wall, rings = round_the_clock(x[:, :, :ROWS], 3), round_the_clock(x[:, :4, ROWS:], 1)
        for layer in self.down:
            wall = F.relu(layer(wall))
        return torch.cat([F.relu(self.whole(wall)), F.relu(self.rings(rings))], 1)


class Wall2Soot(nn.Module):
    """The photo and the baseline, then round the clock: change of L* by column, and how far it may be off."""

    def __init__(self, c: int = 48) -> None:
        super().__init__()
        self.look = Look()
        self.first, self.all = nn.Conv2d(2 * 52, c, 1), nn.Conv2d(2 * 52 + 4, c, 1)
        self.round = nn.ModuleList(nn.Conv2d(c, c, (1, 5), dilation=(1, d)) for d in (1, 2, 4, 6))
        self.mean = nn.ModuleList(nn.Conv2d(c, c, 1) for _ in range(2))
        self.out, self.drop = nn.Conv2d(c, 2, 1), nn.Dropout2d(0.1)

    def forward(self, x: Tensor) -> Tensor:
        flags = x[:, 2 * CHANNELS :, :1, :1]
        now, before = self.look(x[:, :CHANNELS]), self.look(x[:, CHANNELS : 2 * CHANNELS])
        known = x[:, 2 * CHANNELS + 3 :, :1]
        both = torch.cat([now, before * known], 1)
        means = torch.cat([now.mean(3, keepdim=True), before.mean(3, keepdim=True), flags], 1)
        y = self.drop(F.relu(self.first(both) + self.all(means)))
        for k, layer in enumerate(self.round):
            y = y + F.relu(layer(round_the_clock(y, 2 * layer.dilation[1])))
            if k < len(self.mean):
                y = y + F.relu(self.mean[k](y.mean(3, keepdim=True)))
        y = self.out(self.drop(y))[:, :, 0]
        return torch.stack([-10 * F.softplus(y[:, 0] - 1.5), F.softplus(y[:, 1]) + 0.1], 1)


def by_sector(values: Tensor, px: Tensor) -> tuple[Tensor, Tensor]:
    """(count, SECTORS) means by the wall that each column shows, and that wall."""
    wall = px.view(len(px), SECTORS, PER_SECTOR)
    area = wall.sum(2)
    return (values.reshape(wall.shape) * wall).sum(2) / area.clamp(min=1e-6), area


def loss_of(out: Tensor, true: Tensor, px: Tensor) -> Tensor:
    """By sector: a mean of robust kind, its scale (Laplace), and something extra for soot on clean walls."""
    (found, area), (told, _), (scale, _) = (by_sector(v, px) for v in (out[:, 0], true, out[:, 1]))
    shown, scale = area > 4, scale.clamp(min=0.1)
    error = (found - told).abs()
    off = F.smooth_l1_loss(found, told, reduction="none", beta=3.0) * (1 - told / 6)
    sectors = ((error.detach() / scale + scale.log() + 0.7 * off) * shown).sum() / shown.sum()
    deep = (told < -6) & shown
    missed = (F.relu(found + 4.0) * deep).sum() / deep.sum().clamp(min=1)
    columns = ((out[:, 0] - true).abs() * (px > 0)).sum() / (px > 0).sum()
    clean = (told > -0.3) & shown
    false = (F.relu(-found - 1.5) * clean).sum() / clean.sum().clamp(min=1)
    return sectors + 0.15 * columns + 0.4 * false + 0.25 * missed


class Shown(IterableDataset):
    def __init__(self, walls: Walls) -> None:
        self.walls = walls

    def __iter__(self) -> Iterator[tuple[Tensor, ...]]:
        rng = np.random.default_rng()
        while True:
            parts = batch(self.walls, rng, BATCH)
            turn = int(rng.integers(COLUMNS))
            yield tuple(torch.tensor(np.roll(part, turn, -1), dtype=torch.float16) for part in parts)


def train(walls: Walls, seconds: float, workers: int, device: str, start: Path | None) -> Wall2Soot:
    net, started = Wall2Soot().to(device), time.monotonic()
    if start is not None:
        net.load_state_dict(torch.load(start))
    best = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=1e-2)
    recent: list[float] = []
    for step, parts in enumerate(DataLoader(Shown(walls), batch_size=None, num_workers=workers), 1):
        done = (time.monotonic() - started) / seconds
        if done > 1:
            break
        for group in best.param_groups:
            group["lr"] = 1e-3 * min(1.0, 20 * done) * (1 + np.cos(np.pi * done))
        x, y, px = (part.to(device).float() for part in parts)
        loss = loss_of(net(x), y, px)
        best.zero_grad()
        loss.backward()
        if torch.isfinite(nn.utils.clip_grad_norm_(net.parameters(), 1.0)):
            best.step()
        recent.append(float(loss))
        if step % 200 == 0:
            print(step, round(100 * done), "%", round(float(np.mean(recent[-200:])), 3), flush=True)
    return net.cpu().eval()


def judged(net: Wall2Soot, walls: Walls) -> str:
    """How near walls kept apart are read, with their own soot or none."""
    walls = walls | {"share": np.ones(len(walls["seed"]))}
    rng, told, found, scales, alarms = np.random.default_rng(0), [], [], [], []
    for _ in range(12):
        x, y, px = (torch.tensor(part, dtype=torch.float32) for part in batch(walls, rng, 64, plain=True))
        with torch.no_grad():
            out = net(x)
        (f, area), (t, _), (s, _) = (by_sector(v, px) for v in (out[:, 0], y, out[:, 1]))
        told += t[area > 4].tolist()
        found += f[area > 4].tolist()
        scales += s[area > 4].tolist()
        clean = (torch.where(area > 4, t, 0.0).min(1).values > -0.3).numpy()
        alarms += (torch.where(area > 4, f, 0.0).min(1).values < -3).numpy()[clean].tolist()
    t, f, s = (np.array(v) for v in (told, found, scales))
    error = np.abs(f - t)
    parts = [
        f"{name} {np.median(error[k]):.2f} / {np.quantile(error[k], 0.95):.2f} (n {k.sum()})"
        for name, k in (("sooty", t <= -4), ("clean", t >= -2))
    ]
    wide = np.sqrt(np.mean((f - t) ** 2 / s**2))
    return f"{'; '.join(parts)}; false alarms {np.mean(alarms):.3f} of {len(alarms)}; error over scale {wide:.2f}"


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("walls", type=Path, nargs="+")
    p.add_argument("--start", type=Path, help="go on from an earlier run's OUT.pt")
    p.add_argument("--seconds", type=float, default=1200.0)
    p.add_argument("--workers", type=int, default=1, help="processes that draw what is shown")
    p.add_argument("--device", default="cpu")
    a = p.parse_args()
    torch.set_num_threads(1)  # so small a net only waits for other threads
    walls = read(a.walls)
    apart = walls["seed"] % KEPT_APART == 0
    learnt = some(walls, np.flatnonzero(~apart))
    both = joined([learnt, painted(PAINTED, np.random.default_rng(0))])
    both["share"] = np.repeat(
        [(1 - PAINTED_SHARE) / len(learnt["seed"]), PAINTED_SHARE / PAINTED], [len(learnt["seed"]), PAINTED]
    )
    net = train(both, a.seconds, a.workers, a.device, a.start)
    torch.save(net.state_dict(), a.out.with_suffix(".pt"))
    blank = torch.zeros(1, PLANES, ROWS + len(RINGS), COLUMNS)
    torch.onnx.export(
        net, blank, str(a.out), input_names=["band"], output_names=["soot"], opset_version=13, dynamo=False
    )
    print("learnt from", int((~apart).sum()), "pairs; of", int(apart.sum()), "kept apart:", flush=True)
    print(judged(net, some(walls, np.flatnonzero(apart))), flush=True)


if __name__ == "__main__":
    main()

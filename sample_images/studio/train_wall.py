"""Trains the network `wall`, which reads soot off walls: `python -m studio.train_wall OUT.onnx WALLS.npz ...`.

The walls are those of `studio.walls`. Each is shown anew every time: with its own soot, without, or with soot laid on
as physics has it, light times one minus an opacity that is greatest at the rim and fades downward, on an arc or all
round; in other light and with the edges of shadows, reflections and labels; the rim a little off on every side; in a
new exposure, white balance, tone and noise; turned and mirrored; with or without its baseline. PyTorch, one core, half
an hour.
"""

from __future__ import annotations

import argparse
import math
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional as F  # noqa: N812

from pooleye.optics.planes import SECTORS
from pooleye.top.soot import CHANNELS, LEAST_COLUMNS, LEAST_ROWS
from pooleye.top.wallband import BAND_MM, COLUMNS, DEPTH_MM, GLARE_L, PER_SECTOR, RINGS, ROW_MM, ROWS

Walls = dict[str, Tensor]
DEPTH = torch.tensor(DEPTH_MM, dtype=torch.float32)
CLOCK = (torch.arange(COLUMNS) + 0.5) * 2 * math.pi / COLUMNS
JUDGED = int((DEPTH_MM < BAND_MM).sum())
KEPT_APART = 10  # every so many-th wall is not learnt from
PHOTOS = 0.15  # share of what is shown that are clean test photos
BATCH, POOL, ANEW = 64, 150, 4  # batches kept; a new one comes every so many steps
LAID, AGAIN, BARED, NEW, WITH_BASELINE = 0.4, 0.1, 0.1, 0.15, 0.75
"""Shares of walls on which soot is laid, of those that have some, of sooty ones shown without, of new candles' walls
shown in the photo's place, and of walls shown with a baseline."""


# --- chance -----------------------------------------------------------------------------------------------------------


def between(low: float, high: float, *shape: int) -> Tensor:
    return torch.rand(*shape) * (high - low) + low


def normal(scale: float, *shape: int) -> Tensor:
    return torch.randn(*shape) * scale


def often(share: float, *shape: int) -> Tensor:
    return torch.rand(*shape) < share


def wave(scale: Tensor, first: int, last: int) -> Tensor:
    """Smooth closed deviations (n, COLUMNS) of about ± scale (n,) round the clock."""
    k = torch.arange(first, last).float()
    size, phase = normal(1.0, len(scale), len(k)) / k, between(0, 6.28, len(scale), len(k))
    return scale[:, None] * (size[..., None] * torch.cos(k[:, None] * CLOCK + phase[..., None])).sum(1)


def around(angle: Tensor) -> Tensor:
    away = CLOCK - angle[..., None]
    return torch.atan2(torch.sin(away), torch.cos(away))


# --- soot, other light, a rim that is off -----------------------------------------------------------------------------


def opacity(n: int) -> Tensor:
    """(n, ROWS, COLUMNS) of coats of soot."""
    spots = torch.exp(-((around(between(0, 6.28, n, 4)) / between(0.15, 1.4, n, 4)[..., None]) ** 2))
    spots = spots * (between(0.3, 1, n, 4) * (torch.arange(4) < torch.randint(1, 5, (n, 1))))[..., None]
    arc = spots.amax(1)
    arc = torch.where(often(0.15, n, 1), torch.ones_like(arc), arc / arc.amax(1, keepdim=True))
    arc = (between(0.08, 0.95, n, 1) * arc * (1 + wave(between(0, 0.28, n), 2, 12))).clamp(0, 0.98)
    depth = (between(5, 26, n, 1) * (1 + wave(torch.full((n,), 0.14), 1, 5))).clamp(3, 40)
    fade = (1 - DEPTH[:, None] / depth[:, None]).clamp(0, 1) ** between(0.6, 1.7, n, 1, 1)
    blotch = normal(1.0, n, ROWS // 2, COLUMNS // 2).clamp(-1.5, 1.5).repeat_interleave(2, 1).repeat_interleave(2, 2)
    return (arc[:, None] * fade * (1 + between(0, 0.35, n, 1, 1) * blotch)).clamp(0, 0.98)


def patches(n: int) -> Tensor:
    """(n, ROWS, COLUMNS, 3) logarithms of what a shadow, reflection or label does to the light: a window of clock and
    depth with edges, straight or bowed, brighter or darker than the rest."""
    away = around(between(0, 6.28, n))
    depth = DEPTH[:, None] + (between(0, 8, n) * often(0.6, n))[:, None, None] * (away**2)[:, None]
    soft = torch.exp(between(math.log(0.05), math.log(0.6), n, 1, 1))  # softer ones look like soot
    top = between(-8, 12, n, 1, 1)
    across = torch.sigmoid((between(0.05, 1.6, n, 1) - away.abs()) / between(0.01, 0.3, n, 1))[:, None]
    here = across * torch.sigmoid((depth - top) / soft) * torch.sigmoid((top + between(1, 25, n, 1, 1) - depth) / soft)
    return here[..., None] * (normal(0.6, n, 1, 1, 1) + normal(0.25, n, 1, 1, 3))


def other_light(n: int) -> Tensor:
    """(n, ROWS, COLUMNS, 3): other light and other glass on a wall that has been shown before."""
    slow = wave(between(0, 0.5, n), 1, 6)[:, None] + normal(0.04, n, 1, 1) * DEPTH[:, None] / 10
    log = often(0.6, n, 1, 1, 1) * (slow[..., None] + normal(0.2, n, 1, 1, 3))
    for share in (0.25, 0.1):
        log = log + often(share, n, 1, 1, 1) * patches(n)
    return log.exp()


def slipped(light: Tensor, seen: Tensor, lip: Tensor) -> tuple[Tensor, Tensor]:
    """Walls (n, ROWS, COLUMNS, 3) of which the rim was found too high or low, by another amount on every side."""
    n = len(light)
    some = often(0.6, n, 1) * (lip.sum((1, 2, 3)) > 0)[:, None]
    waves = (
        s * torch.cos(k * CLOCK - between(0, 6.28, n, 1)) for k, s in ((1, normal(0.22, n, 1)), (2, normal(0.1, n, 1)))
    )
    by = some * (normal(0.12, n, 1) + sum(waves))
    place = ((DEPTH[:, None] + by[:, None]) / ROW_MM + 0.5).clamp(0, ROWS)  # 0 is the lip, then come the rows
    low = place.floor().long().clamp(max=ROWS - 1)
    part = place - low
    stack, there = torch.cat([lip, light], 1), torch.cat([seen[:, :1], seen], 1)
    pair = [torch.gather(stack, 1, at[..., None].expand(-1, -1, -1, 3)) for at in (low, low + 1)]
    known = torch.gather(there, 1, low) & torch.gather(there, 1, low + 1)
    return pair[0] * (1 - part[..., None]) + pair[1] * part[..., None], seen & known


def clipped(seen: Tensor) -> Tensor:
    """Some walls end higher, all round or in places: wax or its mirror image is taken to stand there."""
    n = len(seen)
    most = torch.where(often(0.3, n), between(2, 24, n), torch.full((n,), 99.0))[:, None]
    bent = between(0, 10, n, 1) * often(0.5, n, 1)
    most = most + bent * torch.cos(CLOCK * torch.randint(1, 4, (n, 1)) - between(0, 6.28, n, 1))
    return seen & (most[:, None] > DEPTH[:, None])


# --- the phone --------------------------------------------------------------------------------------------------------

TO_XYZ = torch.tensor(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
D65 = torch.tensor([0.95047, 1.0, 1.08883])


def root(t: Tensor) -> Tensor:
    return torch.where(t > 216 / 24389, t.clamp(min=1e-9) ** (1 / 3), (24389 / 27 * t + 16) / 116)


def lab_of(light: Tensor) -> Tensor:
    f = root((light.clamp(0, 1) @ TO_XYZ.T) / D65)
    return torch.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)


def lightness(light: Tensor) -> Tensor:
    return 116 * root(light.clamp(0, 1) @ TO_XYZ[1]) - 16


class Phone:
    """Exposure, white balance, veiling glare and tone of a batch of photos."""

    def __init__(self, n: int, tone: Phone | None = None) -> None:
        def each(values: Tensor) -> Tensor:
            return values.view(n, 1, 1, -1)

        self.gain = each(between(-1.1, 0.7, n).exp())
        self.white = each(normal(0.1, n, 3).exp())
        self.veil = each(between(0, 0.04, n) * often(0.6, n))
        self.contrast = tone.contrast if tone else each(between(0, 0.5, n))
        self.colour = tone.colour if tone else each(between(0.95, 1.3, n))
        self.noise = each(between(0, 0.012, n))

    def picture(self, light: Tensor, noisy: bool = True) -> Tensor:
        """Linear light (n, rows, columns, 3) as a photo has it."""
        seen = light * self.gain * self.white + self.veil
        seen = torch.where(seen > 0.62, 0.62 + 0.4 * (1 - torch.exp(-(seen - 0.62).clamp(min=0) / 0.38)), seen)
        seen = seen.clamp(0, 1)
        code = torch.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen.clamp(min=1e-6) ** (1 / 2.4) - 0.055)
        code = code + self.contrast * code * (1 - code) * (2 * code - 1)
        grey = (code * torch.tensor([0.2126, 0.7152, 0.0722])).sum(-1, keepdim=True)
        code = grey + self.colour * (code - grey)
        if noisy:
            code = code + self.noise * (torch.randn(code.shape) + torch.randn(*code.shape[:-1], 1))
        code = code.clamp(0, 1)
        return torch.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


# --- what is shown to the network -------------------------------------------------------------------------------------


def read(paths: list[Path]) -> Walls:
    """All walls, the photo's of each at the true pose and at one that is off."""
    parts: dict[str, list[Tensor]] = {}
    for path in paths:
        file: dict[str, NDArray[Any]] = dict(np.load(path))
        for name in ("seen", "before_seen"):
            bits = np.unpackbits(file[name], axis=-1, count=ROWS * COLUMNS).astype(bool)
            file[name] = bits.reshape(*file[name].shape[:-1], ROWS, COLUMNS)
        file["ratio"] = (file["ratio"] / 250).astype(np.float16)
        for name, values in file.items():
            parts.setdefault(name, []).append(torch.from_numpy(values))
    return {name: torch.cat(values) for name, values in parts.items()}


def joined(walls: Walls, photos: Walls | None) -> Walls:
    """With how often each is shown."""
    share = torch.ones(len(walls["seed"]))
    if photos is None:
        return walls | {"share": share}
    more = torch.full((len(photos["seed"]),), PHOTOS / (1 - PHOTOS) * len(share) / len(photos["seed"]))
    return {name: torch.cat([walls[name], photos[name]]) for name in walls} | {"share": torch.cat([share, more])}


def some(walls: Walls, which: Tensor) -> Walls:
    return {name: values[which] for name, values in walls.items()}


def as_seen(
    photo: Tensor, seen: Tensor, rings: Tensor, ppm: Tensor, lit: Tensor, profile: tuple[Tensor, Tensor]
) -> Tensor:
    """What pooleye.top.soot.as_seen makes of a wall, of n walls."""
    lab = lab_of(photo)
    every = torch.where(seen[..., None], lab, torch.nan).flatten(1, 2)
    middle = torch.nan_to_num(torch.nanmedian(every, 1).values)[:, None, None]
    shown = torch.zeros(len(photo), CHANNELS, ROWS + len(RINGS), COLUMNS)
    wall, below = shown[:, :, :ROWS], shown[:, :4, ROWS:]
    wall[:, :3] = torch.where(seen[..., None], (lab - middle) / 10, 0.0).permute(0, 3, 1, 2)
    wall[:, 3], wall[:, 4], wall[:, 5] = seen.float(), DEPTH[:, None] / 10, ppm[:, None] / 5
    wall[:, 6], wall[:, 7] = profile[0][:, :, None], profile[1][:, :, None]
    wall[:, 8] = lit[:, None, None]
    there = (rings > 0).any(-1)
    below[:, :3] = torch.where(there[..., None], (lab_of(rings) - middle) / 10, 0.0).permute(0, 3, 1, 2)
    below[:, 3] = there
    return shown


def clean_profile(photo: Tensor, seen: Tensor) -> tuple[Tensor, Tensor]:
    """What pooleye.top.soot.clean_profile makes of a baseline's wall, of n walls."""
    known = seen.sum(2) >= LEAST_COLUMNS
    known = known & (known.sum(1) >= LEAST_ROWS)[:, None]
    rows = torch.nanmedian(torch.where(seen, lightness(photo), torch.nan), 2).values
    middle = torch.nanmedian(torch.where(known, rows, torch.nan), 1, keepdim=True).values
    return torch.where(known, torch.nan_to_num(rows - middle) / 10, 0.0), known.float()


def turned(n: int) -> Tensor:
    """(n, COLUMNS): which column comes to each place; some are mirrored."""
    at = (torch.arange(COLUMNS) - torch.randint(COLUMNS, (n, 1))) % COLUMNS
    return torch.where(often(0.5, n, 1), COLUMNS - 1 - at, at)


def taken(values: Tensor, at: Tensor) -> Tensor:
    """Columns `at` (n, COLUMNS) of (n, rows, COLUMNS, ...)."""
    index = at.view(len(at), 1, COLUMNS, *[1] * (values.dim() - 3)).expand(-1, values.shape[1], -1, *values.shape[3:])
    return torch.gather(values, 2, index)


def batch(walls: Walls, n: int, plain: bool = False) -> tuple[Tensor, Tensor, Tensor]:
    """(shown, change of L* by column, wall that each column shows). `plain`: with their own soot only."""
    pick, pose, at = torch.multinomial(walls["share"], n, replacement=True), torch.randint(2, (n,)), turned(n)
    new = often(0.0 if plain else NEW, n)

    def here(name: str, which: Tensor | None = None) -> Tensor:
        photo = walls[name][pick] if which is None else walls[name][pick, which]
        before = walls[f"before_{name}"][pick] if f"before_{name}" in walls else torch.ones_like(photo)
        values = torch.where(new.view(n, *[1] * (photo.dim() - 1)), before, photo)
        values = values.float() if values.is_floating_point() else values
        return taken(values[:, None], at)[:, 0] if values.dim() == 2 else taken(values, at)

    true = torch.zeros_like(pose)
    light, seen, ratio = here("light", pose), here("seen", pose), here("ratio", pose)
    true_seen, true_ratio = here("seen", true), here("ratio", true)
    rings, px, ppm = here("around"), here("px", pose), here("ppm", pose)
    bare = light / ratio.clamp(min=0.02)[..., None]
    true_bare = here("light", true) / true_ratio.clamp(min=0.02)[..., None]
    if not plain:
        other = other_light(n)
        bare, true_bare = bare * other, true_bare * other
        own = ~often(BARED, n) & ~new
        laid = (~(walls["sooty"][pick] & own) & often(LAID, n)) | often(AGAIN, n)
        coat, keep = 1 - opacity(n) * laid[:, None, None], (own & ~laid)[:, None, None]
        ratio, true_ratio = torch.where(keep, ratio, coat), torch.where(keep, true_ratio, coat)
    phone = Phone(n)
    sooty, clean = (phone.picture(true_bare * r, noisy=False) for r in (true_ratio[..., None], 1.0))
    change = torch.where(true_seen, lightness(sooty) - lightness(clean), 0.0)[:, :JUDGED].sum(1)
    rows = true_seen[:, :JUDGED].sum(1)
    light = bare * ratio[..., None]
    if not plain:
        light, seen = slipped(light, clipped(seen), rings[:, 1:2])
    photo = phone.picture(light)
    seen = seen & (lightness(photo) < GLARE_L)
    there = (rings > 0).any(-1, keepdim=True) & often(0.93, n, len(RINGS), 1, 1)
    rings = torch.where(there, phone.picture(rings).clamp(min=1e-5), 0.0)
    before = Phone(n, phone).picture(walls["before_light"][pick].float())
    before_seen = walls["before_seen"][pick] & (lightness(before) < GLARE_L)
    has = often(WITH_BASELINE, n)[:, None]
    level, known = clean_profile(before, before_seen if plain else clipped(before_seen))
    lit = walls["lit"][pick].float() * ~new
    shown = as_seen(photo, seen, rings, ppm, lit, (level * has, known * has))
    counted = (rows > 0) & (px > 0) & seen[:, :JUDGED].any(1)
    return shown, change / rows.clamp(min=1), torch.where(counted, px.clamp(min=1e-3), 0.0)


# --- the network ------------------------------------------------------------------------------------------------------


def wrapped(x: Tensor, by: int) -> Tensor:
    return torch.cat([x[..., -by:], x, x[..., :by]], -1)


class Wall2Soot(nn.Module):
    """Down the wall first, then round the clock: change of L* by column, and how far it may be off."""

    def __init__(self, c: int = 20, w: int = 40) -> None:
        super().__init__()
        self.down = nn.ModuleList(
            [
                nn.Conv2d(CHANNELS, c, (3, 4), stride=(1, 2), padding=(1, 0)),
                nn.Conv2d(c, c, 3, stride=(2, 1), padding=(1, 0)),
                nn.Conv2d(c, c + 8, 3, stride=(2, 1), padding=(1, 0)),
            ]
        )
        self.whole, self.rings = (
            nn.Conv2d(c + 8, w, (-(-ROWS // 4), 1)),
            nn.Conv2d(4, 16, (len(RINGS), 4), stride=(1, 2)),
        )
        self.mix, self.all, self.mean = (nn.Conv2d(i, w, 1) for i in (w + 16, w + 16, w))
        self.round = nn.ModuleList(nn.Conv2d(w, w, (1, 3), dilation=(1, d)) for d in (1, 2, 4))
        self.out, self.drop = nn.Conv2d(w, 4, 1), nn.Dropout2d(0.1)

    def forward(self, x: Tensor) -> Tensor:
        half = COLUMNS // 2
        y, rings = x[:, :, :ROWS], x[:, :4, ROWS:]
        for layer in self.down:
            y = F.relu(layer(wrapped(y, 1)))
        y = torch.cat([F.relu(self.whole(y)), F.relu(self.rings(wrapped(rings, 1)))], 1)
        y = F.relu(self.mix(y) + self.all(y.mean(3, keepdim=True)).expand(-1, -1, -1, half))
        y = self.drop(y)
        for k, layer in enumerate(self.round):
            y = y + F.relu(layer(wrapped(y, layer.dilation[1])))
            if k == 1:
                y = y + F.relu(self.mean(y.mean(3, keepdim=True))).expand(-1, -1, -1, half)
        y = self.out(self.drop(y)).view(-1, 2, 2, half).permute(0, 1, 3, 2).reshape(-1, 2, COLUMNS)
        return torch.stack([-10 * F.softplus(y[:, 0] - 1.5), F.softplus(y[:, 1]) + 0.25], 1)


def by_sector(values: Tensor, px: Tensor) -> tuple[Tensor, Tensor]:
    """(n, SECTORS) means by the wall that each column shows, and that wall."""
    wall = px.view(len(px), SECTORS, PER_SECTOR)
    area = wall.sum(2)
    return (values.reshape(wall.shape) * wall).sum(2) / area.clamp(min=1e-6), area


def loss_of(out: Tensor, true: Tensor, px: Tensor) -> Tensor:
    """By sector: a mean of robust kind, heavier for soot, and its scale (Laplace); by photo: something extra for soot
    on clean walls, and for none at all on dark ones."""
    (found, area), (told, _), (scale, _) = (by_sector(v, px) for v in (out[:, 0], true, out[:, 1]))
    shown, scale = area > 4, scale.clamp(min=0.1)
    error = (found - told).abs().detach()
    heavier = torch.where(told < -3, 1.25 * (1 - told / 6).clamp(max=4), torch.ones_like(told))
    off = F.smooth_l1_loss(found, told, reduction="none", beta=1.0) * heavier
    sectors = ((0.5 * error / scale + 0.5 * scale.log() + 0.7 * off) * shown).sum() / shown.sum()
    columns = ((out[:, 0] - true).abs() * (px > 0)).sum() / (px > 0).sum()
    darkest, darkest_told = (torch.where(shown, v, 0.0).amin(1) for v in (found, told))
    clean, dark = darkest_told > -0.3, darkest_told < -6
    false = (F.relu(-darkest - 1.5) * clean).sum() / clean.sum().clamp(min=1)
    missed = (F.relu(darkest + 4.5) * dark).sum() / dark.sum().clamp(min=1)
    return sectors + 0.15 * columns + 0.2 * false + 0.1 * missed


def train(walls: Walls, seconds: float, start: Path | None) -> Wall2Soot:
    """The mean of the last states counts, not the last one."""
    torch.set_num_threads(1)  # so small a net only waits for other threads
    net, kept, started, pool, step = Wall2Soot(), Wall2Soot(), time.monotonic(), [], 0
    if start is not None:
        net.load_state_dict(torch.load(start))
    net, kept = net.to(memory_format=torch.channels_last), kept.to(memory_format=torch.channels_last)  # type: ignore[call-overload]
    best = torch.optim.AdamW(net.parameters(), 2e-3, weight_decay=3e-2)
    while (done := (time.monotonic() - started) / seconds) < 1:
        for group in best.param_groups:
            group["lr"] = 1e-3 * min(1.0, 20 * done + 0.05) * (1 + math.cos(math.pi * done))
        if step % ANEW == 0 or step < 40:
            pool.append(batch(walls, BATCH))
            if len(pool) > POOL:
                pool.pop(int(torch.randint(POOL, (1,))))
        by = int(torch.randint(COLUMNS, (1,)))
        x, y, px = (torch.roll(part, by, -1) for part in pool[int(torch.randint(len(pool), (1,)))])
        loss = loss_of(net(x.contiguous(memory_format=torch.channels_last)), y, px)
        best.zero_grad()
        loss.backward()
        if torch.isfinite(nn.utils.clip_grad_norm_(net.parameters(), 1.0)):
            best.step()
        step += 1
        with torch.no_grad():
            for mean, now in zip(kept.parameters(), net.parameters(), strict=True):
                mean.lerp_(now, 1 - min(0.999, step / (step + 50)))
    return kept.eval()


def judged(net: Wall2Soot, walls: Walls) -> str:
    """How near walls kept apart are read, with their own soot or none."""
    told, found, alarms = [], [], []
    for _ in range(30):
        x, y, px = batch(walls, BATCH, plain=True)
        with torch.no_grad():
            (f, area), (t, _) = (by_sector(v, px) for v in (net(x)[:, 0], y))
        told += t[area > 4].tolist()
        found += f[area > 4].tolist()
        clean = torch.where(area > 4, t, 0.0).amin(1) > -0.3
        alarms += (torch.where(area > 4, f, 0.0).amin(1) < -3)[clean].tolist()
    t, error = np.array(told), np.abs(np.array(found) - told)
    parts = [
        f"{name} {np.median(error[k]):.2f} / {np.quantile(error[k], 0.95):.2f} (n {k.sum()})"
        for name, k in (("sooty", t <= -4), ("clean", t >= -2))
    ]
    return f"{'; '.join(parts)}; false alarms {np.mean(alarms):.3f} of {len(alarms)}"


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("walls", type=Path, nargs="+")
    p.add_argument("--photos", type=Path, help="walls of clean photos (studio.walls, COUNT 0)")
    p.add_argument("--start", type=Path, help="go on from an earlier run's OUT.pt")
    p.add_argument("--seconds", type=float, default=1600.0)
    a = p.parse_args()
    walls = read(a.walls)
    apart = walls["seed"] % KEPT_APART == 0
    photos = None if a.photos is None else read([a.photos])
    net = train(joined(some(walls, ~apart), photos), a.seconds, a.start)
    torch.save(net.state_dict(), a.out.with_suffix(".pt"))
    blank = torch.zeros(1, CHANNELS, ROWS + len(RINGS), COLUMNS)
    torch.onnx.export(
        net, blank, str(a.out), input_names=["band"], output_names=["soot"], opset_version=13, dynamo=False
    )
    print("learnt from", int((~apart).sum()), "pairs; of", int(apart.sum()), "kept apart:", flush=True)
    print(judged(net, joined(some(walls, apart), None)), flush=True)


if __name__ == "__main__":
    main()

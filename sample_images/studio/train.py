"""Trains the networks on studio renders: `python -m studio.train near|far OUT.onnx DATA.npz... [--minutes M]`.

The last 6 % of the pictures are never trained on; their scores are printed. Needs PyTorch and, to be quick, a GPU.
"""

from __future__ import annotations

import argparse
import copy
import time
from pathlib import Path

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - the name every reader knows
from torch import Tensor

from . import networks

MARGIN = 1.3
NEAR_PX = 320
AMPLE, AMPLE_SHARE = 1.1, 0.5
"""The first look at a mouth: round, this much wider than the rim and farther off; share of the training pictures."""


def read(paths: list[Path], keys: list[str]) -> dict[str, np.ndarray]:
    shards = [np.load(p) for p in paths]
    return {k: np.concatenate([s[k] for s in shards]) for k in keys}


def near_grid(rim: Tensor, size: int, px: int, *, wander: bool) -> Tensor:
    """Sampling grid that brings each rim ellipse to the standard circle, give or take what a first guess is off."""
    n, device = len(rim), rim.device
    cx, cy, a, b, angle = rim.T
    shift = torch.stack([cx, cy], -1)
    ample = torch.rand(n, device=device) < (AMPLE_SHARE if wander else 0.0)
    b = torch.where(ample, a, b)
    c, s = torch.cos(angle), torch.sin(angle)
    rotation = torch.stack([c, -s, s, c], -1).view(n, 2, 2)
    stretch = rotation @ torch.diag_embed(torch.stack([a, b], -1)) @ rotation.transpose(1, 2) * MARGIN
    if wander:
        turn = torch.rand(n, device=device) * 6.2832
        ct, st = torch.cos(turn), torch.sin(turn)
        mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
        spin = torch.stack([ct * mirror, -st, st * mirror, ct], -1).view(n, 2, 2)
        scale = torch.where(ample, AMPLE, 1.0) * (1 + 0.05 * torch.randn(n, device=device).clamp(-1.6, 1.6))
        loose = torch.eye(2, device=device) * scale.view(n, 1, 1)
        skew = 0.025 * torch.randn(n, 2, 2, device=device)
        stretch = stretch @ (loose + (skew + skew.transpose(1, 2)) / 2) @ spin
        off = torch.where(ample, 0.06, 0.04)[:, None] * torch.randn(n, 2, device=device)
        shift = shift + a[:, None] * off.clamp(-0.13, 0.13)
    axis = (torch.arange(px, device=device) + 0.5) / px * 2 - 1
    y, x = torch.meshgrid(axis, axis, indexing="ij")
    at = torch.stack([x, y], -1).view(1, -1, 2) @ stretch.transpose(1, 2) + shift[:, None]
    return ((at + 0.5) / size * 2 - 1).view(n, px, px, 2)


def far_grid(n: int, shape: tuple[int, int], device: torch.device, *, wander: bool) -> Tensor:
    h, w = shape
    matrix = torch.eye(2, 3, device=device).repeat(n, 1, 1)
    if wander:
        sign = torch.where(torch.rand(n, 2, device=device) < 0.5, -1.0, 1.0)
        matrix[:, 0, 0], matrix[:, 1, 1] = sign[:, 0], sign[:, 1]
        zoom = torch.exp(torch.empty(n, device=device).uniform_(-0.35, 0.5))
        matrix = matrix * zoom[:, None, None]
        matrix[:, :, 2] = torch.empty(n, 2, device=device).uniform_(-0.15, 0.15)
    return F.affine_grid(matrix, [n, 1, h, w], align_corners=False)


def sample(x: Tensor, grid: Tensor) -> Tensor:
    return F.grid_sample(x, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def dice(logits: Tensor, target: Tensor) -> Tensor:
    p = torch.sigmoid(logits)
    both = (p * target).sum((2, 3))
    return (1 - (2 * both + 50) / (p.sum((2, 3)) + target.sum((2, 3)) + 50)).mean()


def near_batch(data: dict[str, Tensor], index: Tensor, px: int, *, wander: bool) -> tuple[Tensor, Tensor]:
    """(pictures, masks); the rim's radius is px / 2 / MARGIN."""
    grid = near_grid(data["rim"][index], data["picture"].shape[2], px, wander=wander)
    linear = sample(data["picture"][index].float(), grid)
    masks = sample(data["labels"][index].float() / 255, grid)
    gain = networks.exposure(linear)
    if "developed" in data:  # photos: bright parts are cut off already, so only a little either way
        gain = torch.where(
            data["developed"][index].view(-1, 1, 1, 1), networks.uniform(len(index), 0.5, 1.15, linear), gain
        )
    return networks.phone(linear * gain), masks


def near_loss(out: Tensor, masks: Tensor) -> Tensor:
    areas = F.binary_cross_entropy_with_logits(out[:, :4], masks[:, :4]) + 0.5 * dice(out[:, :3], masks[:, :3])
    weight = 1 + 12 * masks[:, 4:]
    spots = (F.binary_cross_entropy_with_logits(out[:, 4:], masks[:, 4:], reduction="none") * weight).mean()
    return areas + 2 * spots


def far_batch(data: dict[str, Tensor], index: Tensor, *, wander: bool) -> tuple[Tensor, Tensor]:
    shape = tuple(data["picture"].shape[2:])
    grid = far_grid(len(index), shape, index.device, wander=wander)
    linear = sample(data["picture"][index].float(), grid)
    masks = sample(data["labels"][index].float() / 255, grid)
    return networks.phone(linear * networks.exposure(linear)), masks


def far_loss(out: Tensor, masks: Tensor) -> Tensor:
    return (
        F.binary_cross_entropy_with_logits(out, masks)
        + 0.5 * dice(out, masks)
        + F.binary_cross_entropy_with_logits(out[:, 1:], masks[:, 1:])
    )


def at_size_of(out: Tensor, masks: Tensor) -> Tensor:
    return F.avg_pool2d(masks, masks.shape[-1] // out.shape[-1])


def overlap(logits: Tensor, target: Tensor) -> Tensor:
    a, b = logits > 0, target > 0.5
    return (a & b).sum((2, 3)).float() / (a | b).sum((2, 3)).clamp(min=1)


@torch.no_grad()
def score(what: str, net: torch.nn.Module, data: dict[str, Tensor], held: Tensor, px: int) -> None:
    torch.manual_seed(1)
    net.eval()
    overlaps = []
    for part in held.split(32):
        x, masks = far_batch(data, part, wander=False) if what == "far" else near_batch(data, part, px, wander=False)
        out = net.maps(x)[:, :5]
        some = at_size_of(out, masks)[:, :5]
        iou = overlap(out, some)
        overlaps.append(torch.where(some.flatten(2).amax(2) > 0.5, iou, torch.nan))
    all_of = torch.cat(overlaps)
    print("held out: overlap median", [round(float(v), 4) for v in all_of.nanmedian(0).values], "5 %",
          [round(float(torch.nanquantile(c, 0.05)), 3) for c in all_of.T], flush=True)  # fmt: skip
    net.train()


def improve(
    net: torch.nn.Module, averaged: torch.nn.Module, optimiser: torch.optim.Optimizer, loss: Tensor, step: int
) -> None:
    """One step down the loss; `averaged` is the running mean of the weights."""
    optimiser.zero_grad(set_to_none=True)
    loss.backward()
    torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
    optimiser.step()
    keep = min(0.998, (step + 1) / (step + 10))
    with torch.no_grad():
        for old, new in zip(averaged.state_dict().values(), net.state_dict().values(), strict=True):
            old.lerp_(new, 1 - keep) if old.is_floating_point() else old.copy_(new)


def train(
    what: str,
    net: torch.nn.Module,
    data: dict[str, Tensor],
    px: int,
    minutes: float,
    batch: int,
    rate: float,
    share: float,
) -> torch.nn.Module:
    """The running mean of the weights; `share` of every batch is drawn from developed photos, where there are any."""
    device = data["picture"].device
    net = net.to(device, memory_format=torch.channels_last)
    averaged = copy.deepcopy(net)
    developed = data.get("developed", torch.zeros(len(data["picture"]), dtype=torch.bool, device=device))
    renders, photos = torch.nonzero(~developed).flatten(), torch.nonzero(developed).flatten()
    held, seen = renders[int(len(renders) * 0.94) :], renders[: int(len(renders) * 0.94)]
    optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3, weight_decay=1e-4)
    began, step, total = time.monotonic(), 0, 0.0
    while (done := (time.monotonic() - began) / (60 * minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 100) * (0.5 * (1 + np.cos(np.pi * done)) + 0.002)
        index = seen[torch.randint(0, len(seen), (batch,), device=device)]
        if share and len(photos):
            some = max(round(batch * share), 1)
            index[:some] = photos[torch.randint(0, len(photos), (some,), device=device)]
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            with torch.autocast(device.type, enabled=False):
                if what == "far":
                    x, masks = far_batch(data, index, wander=True)
                else:
                    x, masks = near_batch(data, index, px, wander=True)
            out = net.maps(x.contiguous(memory_format=torch.channels_last)).float()
            loss = (far_loss if what == "far" else near_loss)(out, at_size_of(out, masks))
        improve(net, averaged, optimiser, loss, step)
        step, total = step + 1, total + float(loss.detach()) if step % 50 == 0 else total
        if step % 1000 == 0 or (device.type == "cpu" and step % 50 == 0):
            print(what, "step", step, "done", round(done, 2), "loss", round(float(loss.detach()), 4), flush=True)
    print(what, "steps", step, flush=True)
    averaged.eval()
    if len(held):
        score(what, averaged, data, held, px)
    return averaged.eval()


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("what", choices=["near", "far"])
    p.add_argument("out", type=Path)
    p.add_argument("data", type=Path, nargs="+")
    p.add_argument("--minutes", type=float, default=5)
    p.add_argument("--batch", type=int, default=48)
    p.add_argument("--start", type=Path, help="continue from these weights (.pt)")
    p.add_argument("--rate", type=float, default=2.5e-3, help="learning rate")
    p.add_argument(
        "--photos", type=Path, help="crops by from_photos.py, for a last stretch of training: OUT-photos.onnx"
    )
    p.add_argument("--photo-minutes", type=float, default=1.0)
    p.add_argument("--photo-share", type=float, default=0.15, help="of a batch in that stretch")
    p.add_argument("--photo-rate", type=float, default=4e-4)
    a = p.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    keys = ["picture", "labels"] if a.what == "far" else ["picture", "labels", "rim"]
    arrays = read(a.data, keys)
    if a.photos:
        more = read([a.photos], keys)
        developed = np.concatenate([np.zeros(len(arrays["rim"]), bool), np.ones(len(more["rim"]), bool)])
        arrays = {k: np.concatenate([arrays[k], more[k]]) for k in keys} | {"developed": developed}
    arrays["picture"] = np.ascontiguousarray(arrays["picture"].transpose(0, 3, 1, 2))
    arrays["labels"] = np.ascontiguousarray(arrays["labels"].transpose(0, 3, 1, 2))
    data = {k: torch.from_numpy(v).to(device) for k, v in arrays.items()}
    net = networks.far_net() if a.what == "far" else networks.near_net()
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location=device))
    net = train(a.what, net, data, NEAR_PX, a.minutes, a.batch, a.rate, 0.0)
    shape = tuple(data["picture"].shape[2:]) if a.what == "far" else (NEAR_PX, NEAR_PX)
    export(net, a.out, shape)
    if a.photos:
        net = train(a.what, net, data, NEAR_PX, a.photo_minutes, a.batch, a.photo_rate, a.photo_share)
        export(net, a.out.with_stem(a.out.stem + "-photos"), shape)


def export(net: networks.UNet, out: Path, shape_px: tuple[int, ...]) -> None:
    """Weights to `out` as .pt, and the network for OpenCV's DNN module as .onnx."""
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    whole = copy.deepcopy(net).cpu().eval()
    torch.onnx.export(
        whole.to(memory_format=torch.contiguous_format), (torch.zeros((1, 3, *shape_px)),), str(out),
        opset_version=13, dynamo=False, input_names=["picture"], output_names=["logits"],
        dynamic_axes={"picture": {2: "h", 3: "w"}, "logits": {2: "h", 3: "w"}},
    )  # fmt: skip
    print("wrote", out, out.stat().st_size, "bytes", flush=True)


if __name__ == "__main__":
    main()

"""Trains the network `side` on studio renders: `python -m studio.train_side OUT.onnx DATA.npz... [--minutes M]`.

The last 6 % of the pictures are never trained on; their scores are printed and some are drawn to OUT.png with what the
network makes of them. Needs PyTorch and, to be quick, a GPU.
"""

from __future__ import annotations

import argparse
import copy
import time
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - the name every reader knows
from torch import Tensor

from . import networks, train

SHAPES = ((288, 384), (384, 288))
MOUTH, FLAME = 1, 2
WHOLE = 0.75  # share of pictures in which the vessel is kept within the frame


def side_net(widths: tuple[int, ...]) -> networks.UNet:
    return networks.UNet(widths, 4, fold=4, kernel=6, squares=2)


def side_grid(labels: Tensor, shape: tuple[int, int], *, wander: bool) -> Tensor:
    """Sampling grid of a photo of `shape` cut from each square picture; mirrored and zoomed as chance has it."""
    n, device, size = len(labels), labels.device, labels.shape[2]
    half = torch.tensor([shape[1] / size, shape[0] / size], device=device).repeat(n, 1)
    shift = torch.zeros(n, 2, device=device)
    if wander:
        half = half * torch.exp(torch.empty(n, 1, device=device).uniform_(-0.5, 0.06))
        slack = (1 - half).clamp(min=0)
        shift = slack * torch.empty(n, 2, device=device).uniform_(-1, 1)
    box = bounds(labels[:, 0], size)
    low, high = box[:, 2:] - half, box[:, :2] + half  # of the shift that keeps the whole vessel in the frame
    fits = (low <= high) & (torch.rand(n, 1, device=device) < (WHOLE if wander else 1.0)) & (box[:, 2:] > box[:, :2])
    shift = torch.where(fits, torch.minimum(torch.maximum(shift, low), high), shift)
    matrix = torch.zeros(n, 2, 3, device=device)
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0) if wander else torch.ones(n, device=device)
    matrix[:, 0, 0], matrix[:, 1, 1] = half[:, 0] * mirror, half[:, 1]
    matrix[:, :, 2] = shift
    return F.affine_grid(matrix, [n, 1, *shape], align_corners=False)


def bounds(mask: Tensor, size: int) -> Tensor:
    """(N, 4) left, top, right, bottom of what is set, in -1..1; right < left where nothing is."""
    at = (torch.arange(size, device=mask.device) + 0.5) / size * 2 - 1
    ends = []
    for axis in (1, 2):
        shown = (mask > 127).any(axis)
        ends.append(torch.where(shown, at, 9.0).amin(1))
        ends.append(torch.where(shown, at, -9.0).amax(1))
    return torch.stack([ends[0], ends[2], ends[1], ends[3]], 1)


def batch_of(data: dict[str, Tensor], index: Tensor, shape: tuple[int, int], *, wander: bool) -> tuple[Tensor, Tensor]:
    grid = side_grid(data["labels"][index], shape, wander=wander)
    linear = train.sample(data["picture"][index].float(), grid)
    masks = F.avg_pool2d(train.sample(data["labels"][index].float() / 255, grid), 2)
    return networks.phone(linear * networks.exposure(linear)), masks


def loss_of(out: Tensor, masks: Tensor) -> Tensor:
    weight = torch.ones_like(masks)
    weight[:, FLAME] += 6 * masks[:, FLAME]
    each = F.binary_cross_entropy_with_logits(out, masks, weight=weight)
    return each + 0.5 * train.dice(out, masks) + F.binary_cross_entropy_with_logits(out[:, FLAME], masks[:, FLAME])


def learn(
    net: networks.UNet, data: dict[str, Tensor], seen: Tensor, minutes: float, batch: int, rate: float
) -> networks.UNet:
    """The running mean of the weights."""
    device = data["picture"].device
    net = net.to(device, memory_format=torch.channels_last)
    averaged = copy.deepcopy(net)
    optimiser = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-4)
    began, step = time.monotonic(), 0
    while (done := (time.monotonic() - began) / (60 * minutes)) < 1:
        for group in optimiser.param_groups:
            group["lr"] = rate * min(1, (step + 1) / 100) * (0.5 * (1 + np.cos(np.pi * done)) + 0.002)
        index = seen[torch.randint(0, len(seen), (batch,), device=device)]
        with torch.no_grad():
            x, masks = batch_of(data, index, SHAPES[step % 2], wander=True)
        with torch.autocast(device.type, dtype=torch.bfloat16, enabled=device.type == "cuda"):
            out = net.maps(x.contiguous(memory_format=torch.channels_last)).float()
        loss = loss_of(out, masks)
        train.improve(net, averaged, optimiser, loss, step)
        step += 1
        if step % 500 == 0 or (device.type == "cpu" and step % 10 == 0):
            print("side step", step, "done", round(done, 2), "loss", round(float(loss.detach()), 4), flush=True)
    print("side steps", step, flush=True)
    return averaged.eval()


@torch.no_grad()
def show(net: networks.UNet, data: dict[str, Tensor], held: Tensor, out: Path) -> None:
    """Scores of pictures never trained on, and a sheet of some: outlines found white, the truth's green."""
    torch.manual_seed(1)
    overlaps, tiles = [], []
    for number, part in enumerate(held.split(16)):
        x, masks = batch_of(data, part, SHAPES[number % 2], wander=False)
        logits = net.maps(x)
        iou = train.overlap(logits, masks)
        overlaps.append(torch.where(masks.flatten(2).amax(2) > 0.5, iou, torch.nan))
        if number % 2 == 0 and len(tiles) < 48:
            tiles += [tile(*(t.cpu().numpy() for t in one)) for one in zip(x, logits, masks, strict=True)]
    all_of = torch.cat(overlaps)
    print("held out: overlap median", [round(float(v), 4) for v in all_of.nanmedian(0).values], "5 %",
          [round(float(torch.nanquantile(c, 0.05)), 3) for c in all_of.T], flush=True)  # fmt: skip
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % 6)
    rows = [np.concatenate(tiles[k : k + 6], 1) for k in range(0, len(tiles), 6)]
    cv2.imwrite(str(out.with_suffix(".png")), np.concatenate(rows)[..., ::-1])


def tile(x: np.ndarray, logits: np.ndarray, masks: np.ndarray) -> np.ndarray:
    picture = np.ascontiguousarray((x.transpose(1, 2, 0) * 255).astype(np.uint8))
    for channel in range(len(masks)):
        for mask, colour in ((masks[channel] > 0.5, (0, 255, 0)), (logits[channel] > 0, (255, 255, 255))):
            large = cv2.resize(mask.astype(np.uint8), (picture.shape[1], picture.shape[0]))
            lines, _ = cv2.findContours(large, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            cv2.drawContours(picture, lines, -1, colour, 1)
    return cv2.resize(picture, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("out", type=Path)
    p.add_argument("data", type=Path, nargs="+")
    p.add_argument("--minutes", type=float, default=5)
    p.add_argument("--batch", type=int, default=48)
    p.add_argument("--start", type=Path, help="continue from these weights (.pt)")
    p.add_argument("--rate", type=float, default=2.5e-3, help="learning rate")
    p.add_argument("--widths", default="24,40,64,96", help="channels from fine to coarse")
    a = p.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    arrays = train.read(a.data, ["picture", "labels"])
    data = {k: torch.from_numpy(np.ascontiguousarray(v.transpose(0, 3, 1, 2))).to(device) for k, v in arrays.items()}
    net = side_net(tuple(int(width) for width in a.widths.split(",")))
    if a.start:
        net.load_state_dict(torch.load(a.start, map_location=device))
    everything = torch.arange(len(data["picture"]), device=device)
    cut = int(len(everything) * 0.94)
    net = learn(net, data, everything[:cut], a.minutes, a.batch, a.rate)
    train.export(net, a.out, SHAPES[0])
    show(net.to(device), data, everything[cut:], a.out)


if __name__ == "__main__":
    main()

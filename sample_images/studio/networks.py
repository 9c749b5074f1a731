"""The small networks that find mouths, wax and flames, and the simulated phone that they are trained through (PyTorch).

All are U-Nets whose first convolution takes the picture to a quarter of its size, so that little of the work happens on
many pixels; they answer at half the picture's size.
"""

from __future__ import annotations

from itertools import pairwise

import torch
import torch.nn.functional as F  # noqa: N812 - the name every reader knows
from torch import Tensor, nn


def block(inputs: int, outputs: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True),
        nn.Conv2d(outputs, outputs, 3, padding=1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True),
    )  # fmt: skip


class UNet(nn.Module):
    """(B, 3, H, W) in 0..1 to logits at the size after the fold, `squares`² of them for each output and position."""

    def __init__(self, widths: tuple[int, ...], outputs: int, *, fold: int, kernel: int, squares: int) -> None:
        super().__init__()
        self.fold = nn.Conv2d(3, widths[0], kernel, stride=fold, padding=(kernel - fold) // 2)
        self.down = nn.ModuleList([block(widths[max(k - 1, 0)], w) for k, w in enumerate(widths)])
        self.up = nn.ModuleList([block(a + b, a) for a, b in pairwise(widths)])
        self.squares = squares
        self.head = nn.Conv2d(widths[0], outputs * squares**2, 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        x = F.relu(self.fold(x))
        kept = []
        for k, layer in enumerate(self.down):
            x = layer(x if k == 0 else F.max_pool2d(x, 2))
            kept.append(x)
        for k in reversed(range(len(self.up))):
            x = self.up[k](torch.cat([kept[k], F.interpolate(x, scale_factor=2.0, mode="nearest")], 1))
        return self.head(x)

    def maps(self, x: Tensor) -> Tensor:
        """Logits (B, outputs, rows, columns): the squares laid out; what runs the exported network does that itself."""
        return F.pixel_shuffle(self(x), self.squares)


def near_net() -> UNet:
    return UNet((40, 64, 96, 128), 7, fold=4, kernel=6, squares=2)


def far_net() -> UNet:
    return UNet((24, 40, 64, 96), 2, fold=4, kernel=6, squares=2)


def uniform(n: int, low: float, high: float, like: Tensor) -> Tensor:
    return low + (high - low) * torch.rand(n, 1, 1, 1, device=like.device)


def blur(x: Tensor, sigma_px: Tensor) -> Tensor:
    """A Gaussian blur of its own width for every picture of the batch."""
    n, c, h, w = x.shape
    reach = max(int(3 * float(sigma_px.max())) + 1, 1)
    t = torch.arange(-reach, reach + 1, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-(t**2) / (2 * sigma_px.view(n, 1).clamp(min=0.05) ** 2))
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(c, 0)
    flat = F.pad(x.reshape(1, n * c, h, w), (reach,) * 4, mode="reflect")
    flat = F.conv2d(flat, kernel[:, None, :, None], groups=n * c)
    return F.conv2d(flat, kernel[:, None, None, :], groups=n * c).reshape(n, c, h, w)


def srgb(linear: Tensor) -> Tensor:
    """IEC 61966-2-1."""
    return torch.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear.clamp(min=0.0031308) ** (1 / 2.4) - 0.055)


def exposure(linear: Tensor) -> Tensor:
    """A gain per picture, as a phone's automatic exposure and its user's thumb would choose it."""
    n = len(linear)
    level = linear.float().mean(1).flatten(1)
    middle = level.quantile(0.5, dim=1) * 0.6 + 0.4 * level.clamp(max=1e4).mean(1)
    return (torch.exp(uniform(n, -2.6, -0.5, linear)).flatten() / middle.clamp(min=1e-5)).view(n, 1, 1, 1)


def phone(linear: Tensor) -> Tensor:
    """Exposed linear light to a developed picture 0..1: bloom, focus, sensor noise, white balance, tone, sharpening."""
    n = len(linear)
    x = linear.clamp(0, 12)
    for shrink, most in ((1, 0.04), (8, 0.03)):  # the wide halo is blurred on a smaller copy
        small = blur(F.avg_pool2d(x, shrink), uniform(n, 1.2, 3.0, x))
        halo = small if shrink == 1 else F.interpolate(small, size=x.shape[2:], mode="bilinear")
        x = x + uniform(n, 0, most, x) * halo * (torch.rand(n, 1, 1, 1, device=x.device) < 0.7)
    x = blur(x, uniform(n, 0, 1, x) ** 2 * 1.9)
    x = x * (1 + 0.14 * torch.randn(n, 3, 1, 1, device=x.device)).clamp(0.6, 1.5)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * uniform(n, 0.6, 1.3, x)
    strength = uniform(n, 0, 1, x) ** 2 * 0.05
    grain = torch.randn_like(x) * strength * (x.clamp(0, 1) + 0.02).sqrt()
    coarse = torch.rand(n, 1, 1, 1, device=x.device) < 0.5
    x = x + torch.where(coarse, 2.2 * blur(grain, torch.full((n,), 0.8, device=x.device)), grain)
    x = srgb(x.clamp(0, 1))
    bend = uniform(n, -0.25, 0.45, x)
    x = x + bend * (x * (1 - x)) * (2 * x - 1) * 1.5  # contrast
    x = x + uniform(n, -0.25, 0.25, x) * x * (1 - x)  # brightness, ends kept
    x = x + uniform(n, 0, 0.9, x) * (x - blur(x, uniform(n, 0.6, 1.6, x)))
    return x.clamp(0, 1)

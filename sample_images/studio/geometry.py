"""Triangle meshes for the studio, as numpy arrays, and the binary PLY files that the renderer reads.

Frame: the vessel's axis is z, up; the rim plane (where the inner wall meets the rounded lip) is z = 0; millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """vertices (N, 3) mm, normals (N, 3), uv (N, 2), faces (M, 3) indices."""

    vertices: Array
    normals: Array
    uv: Array
    faces: NDArray[np.int32]

    def moved(self, offset: Array) -> Mesh:
        return Mesh(self.vertices + offset, self.normals, self.uv, self.faces)


def outward(mesh: Mesh) -> NDArray[np.int32]:
    """The faces, each wound so that its geometric normal agrees with its vertices' normals."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    agrees = np.einsum("ij,ij->i", np.cross(b - a, c - a), mesh.normals[mesh.faces].sum(1)) >= 0
    return np.where(agrees[:, None], mesh.faces, mesh.faces[:, ::-1]).astype(np.int32)


def write_ply(mesh: Mesh, path: Path) -> str:
    vertex = np.zeros(len(mesh.vertices), dtype=[(k, "<f4") for k in ("x", "y", "z", "nx", "ny", "nz", "u", "v")])
    for k, column in zip(vertex.dtype.names or (), np.hstack([mesh.vertices, mesh.normals, mesh.uv]).T, strict=True):
        vertex[k] = column
    face = np.zeros(len(mesh.faces), dtype=[("n", "u1"), ("i", "<i4", (3,))])
    face["n"], face["i"] = 3, outward(mesh)
    fields = "".join(f"property float {k}\n" for k in vertex.dtype.names or ())
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertex)}\n{fields}"
        f"element face {len(face)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    path.write_bytes(header.encode() + vertex.tobytes() + face.tobytes())
    return str(path)


def grid_faces(rows: int, columns: int, *, wrap: bool) -> NDArray[np.int32]:
    """Two triangles a cell of a (rows, columns) vertex grid; `wrap` joins the last column to the first."""
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(columns if wrap else columns - 1), indexing="ij")
    a, b = i * columns + j, i * columns + (j + 1) % columns
    c, d = a + columns, b + columns
    return np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]).astype(
        np.int32
    )


def grid_mesh(points: Array, uv: Array, *, wrap: bool) -> Mesh:
    """Mesh of a (rows, columns, 3) grid of points with smooth normals from its own differences."""
    rows, columns = points.shape[:2]
    along = np.gradient(points, axis=0)
    around = (np.roll(points, -1, axis=1) - np.roll(points, 1, axis=1)) / 2
    across = around if wrap else np.gradient(points, axis=1)
    normals = np.cross(across, along)
    length = np.linalg.norm(normals, axis=-1, keepdims=True)
    normals = np.where(length > 1e-12, normals / np.maximum(length, 1e-12), [0.0, 0.0, 1.0])
    return Mesh(points.reshape(-1, 3), normals.reshape(-1, 3), uv.reshape(-1, 2), grid_faces(rows, columns, wrap=wrap))


def revolve(profile: Array, segments: int = 160) -> Mesh:
    """Surface of revolution of a (N, 2) profile of (r, z), walked so that the outside lies on its left."""
    angle = np.linspace(0, 2 * np.pi, segments, endpoint=False)
    r, z = profile[:, 0:1], profile[:, 1:2]
    points = np.stack([r * np.cos(angle), r * np.sin(angle), np.broadcast_to(z, (len(profile), segments))], -1)
    tangent = np.gradient(profile, axis=0)
    tangent /= np.maximum(np.linalg.norm(tangent, axis=1, keepdims=True), 1e-12)
    n_r, n_z = -tangent[:, 1:2], tangent[:, 0:1]
    normals = np.stack([n_r * np.cos(angle), n_r * np.sin(angle), np.broadcast_to(n_z, points.shape[:2])], -1)
    uv = np.stack(
        [
            np.broadcast_to(angle / (2 * np.pi), points.shape[:2]),
            np.broadcast_to(np.linspace(0, 1, len(profile))[:, None], points.shape[:2]),
        ],
        -1,
    )
    return Mesh(
        points.reshape(-1, 3), normals.reshape(-1, 3), uv.reshape(-1, 2), grid_faces(len(profile), segments, wrap=True)
    )


def tube(centres: Array, radii: Array, segments: int = 16) -> Mesh:
    """Closed tube along (N, 3) centres with (N,) radii: wicks, pencils."""
    direction = np.gradient(centres, axis=0)
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    helper = np.array([1.0, 0, 0]) if abs(direction[0, 0]) < 0.9 else np.array([0, 1.0, 0])
    side = np.cross(direction, helper)
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(direction, side)
    angle = np.linspace(0, 2 * np.pi, segments, endpoint=False)
    ring = np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * up[:, None]
    points = centres[:, None] + radii[:, None, None] * ring
    caps = [np.broadcast_to(centres[0], (1, segments, 3)), points, np.broadcast_to(centres[-1], (1, segments, 3))]
    slope = np.gradient(radii) / np.maximum(np.linalg.norm(np.gradient(centres, axis=0), axis=1), 1e-9)
    sloped = ring - slope[:, None, None] * direction[:, None]
    sloped /= np.linalg.norm(sloped, axis=-1, keepdims=True)
    normals = np.concatenate(
        [np.broadcast_to(-direction[0], (1, segments, 3)), sloped, np.broadcast_to(direction[-1], (1, segments, 3))]
    )
    grid = np.concatenate(caps)
    uv = np.stack(
        np.meshgrid(np.linspace(0, 1, len(grid)), np.linspace(0, 1, segments, endpoint=False), indexing="ij"), -1
    )
    return Mesh(
        grid.reshape(-1, 3), normals.reshape(-1, 3), uv.reshape(-1, 2), grid_faces(len(grid), segments, wrap=True)
    )


def ball(centre: Array, radius: float, rng: np.random.Generator, lumps: float = 0.0, n: int = 24) -> Mesh:
    """Sphere, or with `lumps` (fraction of the radius) a crumb of carbon."""
    polar, azimuth = np.meshgrid(
        np.linspace(0, np.pi, n), np.linspace(0, 2 * np.pi, 2 * n, endpoint=False), indexing="ij"
    )
    unit = np.stack([np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth), -np.cos(polar)], -1)
    bumps = np.zeros(polar.shape)
    for _ in range(5):
        bumps += np.sin(unit @ rng.normal(0, 2.5, 3) + rng.uniform(0, 6.28)) / 5
    points = centre + radius * (1 + lumps * bumps)[..., None] * unit
    return grid_mesh(points, np.stack([azimuth / 6.2832, polar / np.pi], -1), wrap=True)


def disc_uv(xy: Array, radius: float) -> Array:
    """Texture coordinates of plane points so that the vessel's bore fills the unit square."""
    return xy / (2 * radius) + 0.5


def star_disc(edge_mm: Array, height: Array, centre: Array, radius_for_uv: float, rings: int = 40) -> Mesh:
    """Disc from `centre` (2,) out to a closed star-shaped edge (N, 2); `height` (rings,) is z per ring."""
    s = np.linspace(0, 1, rings) ** 0.8
    xy = centre + s[:, None, None] * (edge_mm - centre)[None]
    points = np.concatenate([xy, np.broadcast_to(height[:, None, None], (*xy.shape[:2], 1))], -1)
    return grid_mesh(points, disc_uv(xy, radius_for_uv), wrap=True)


def ring_between(inner_mm: Array, outer_mm: Array, height: Array, radius_for_uv: float) -> Mesh:
    """Surface between two closed curves (N, 2) each; `height` (rows, N) is z."""
    s = np.linspace(0, 1, len(height))[:, None, None]
    xy = inner_mm[None] * (1 - s) + outer_mm[None] * s
    return grid_mesh(np.concatenate([xy, height[..., None]], -1), disc_uv(xy, radius_for_uv), wrap=True)


def lip_profile(inner_mm: float, wall_mm: float, lip_mm: float, roundness: float, n: int = 17) -> Array:
    """From the inner wall's top (r = inner, z = 0) over the lip to the outer wall (z = 0), as a superellipse arch."""
    t = np.linspace(np.pi, 0, n)
    x, y = np.cos(t), np.sin(t)
    power = 2 / roundness
    r = inner_mm + wall_mm / 2 * (1 + np.sign(x) * np.abs(x) ** power)
    return np.stack([r, lip_mm * np.abs(y) ** power], 1)


def dense(points: list[tuple[float, float]], step_mm: float = 3.0) -> Array:
    """A polyline of (r, z) with corners kept crisp: extra points just beside each corner."""
    out = [np.array(points[0])]
    for a, b in zip(map(np.array, points[:-1]), map(np.array, points[1:]), strict=True):
        length = float(np.linalg.norm(b - a))
        near = min(0.05, 0.2 / max(length, 1e-6))
        n = max(int(length / step_mm), 1)
        out += [a + (b - a) * s for s in [near, *np.linspace(near, 1 - near, n + 1)[1:-1], 1 - near, 1.0]]
    return np.array(out)

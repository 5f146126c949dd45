"""Meshes of a world as (vertices, faces), and textures as linear float pictures."""

from pathlib import Path

import cv2
import numpy as np

Mesh = tuple[np.ndarray, np.ndarray]


def write_ply(path: Path, mesh: Mesh) -> str:
    vertices, faces = mesh
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.zeros(len(faces), [("n", "u1"), ("i", "<i4", 3)])
    rows["n"], rows["i"] = 3, faces
    path.write_bytes(head.encode() + vertices.astype("<f4").tobytes() + rows.tobytes())
    return str(path)


def tube(points: np.ndarray, radii: np.ndarray, sides: int = 20) -> Mesh:
    """A round tube along (n, 3) points with closed ends."""
    way = np.gradient(points, axis=0)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    up = np.array([0, 0, 1.0]) if abs(way[:, 2]).max() < 0.9 else np.array([1.0, 0, 0])
    a = np.cross(way, up)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(way, a)
    turn = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    ring = np.cos(turn)[None, :, None] * a[:, None] + np.sin(turn)[None, :, None] * b[:, None]
    vertices = (points[:, None] + ring * radii[:, None, None]).reshape(-1, 3)
    faces = []
    for i in range(len(points) - 1):
        for j in range(sides):
            k = (j + 1) % sides
            p, q = i * sides, (i + 1) * sides
            faces += [(p + j, p + k, q + j), (p + k, q + k, q + j)]
    n = len(vertices)
    vertices = np.concatenate([vertices, points[[0, -1]]])
    last = (len(points) - 1) * sides
    for j in range(sides):
        k = (j + 1) % sides
        faces += [(n, k, j), (n + 1, last + j, last + k)]
    return vertices, np.array(faces)


def box(middle, half, turn_rad: float = 0.0) -> Mesh:
    corners = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * half
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    corners[:, :2] = corners[:, :2] @ np.array([[c, s], [-s, c]])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return corners + middle, np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])


def blades(rng, side_m: float, count: int, tall_m: float) -> Mesh:
    """Grass on a square patch: bent triangles, one part in two joints."""
    base = rng.uniform(-side_m / 2, side_m / 2, (count, 2))
    tall = tall_m * rng.uniform(0.5, 1.15, count)
    turn = rng.uniform(0, 2 * np.pi, count)
    across = np.stack([np.cos(turn), np.sin(turn)], 1) * 0.0011
    lean = rng.normal(0, 0.55, (count, 2)) * tall[:, None]
    flat = np.zeros(count)
    knee = 0.6
    mid = base + lean * 0.35
    vertices = np.concatenate(
        [
            np.c_[base - across, flat],
            np.c_[base + across, flat],
            np.c_[mid - across * 0.8, tall * knee],
            np.c_[mid + across * 0.8, tall * knee],
            np.c_[base + lean, tall * rng.uniform(0.75, 1.0, count)],
        ]
    )
    i = np.arange(count)
    n = count
    faces = np.concatenate(
        [
            np.c_[i, i + n, i + 2 * n],
            np.c_[i + n, i + 3 * n, i + 2 * n],
            np.c_[i + 2 * n, i + 3 * n, i + 4 * n],
        ]
    )
    return vertices, faces


def noise(rng, side: int, power: float) -> np.ndarray:
    """Tileable noise with a 1/f^power spectrum, zero mean and unit spread."""
    f = np.hypot(np.fft.fftfreq(side)[:, None], np.fft.rfftfreq(side)[None])
    f[0, 0] = 1
    spectrum = np.fft.rfft2(rng.normal(size=(side, side))) / f**power
    spectrum[0, 0] = 0
    out = np.fft.irfft2(spectrum, s=(side, side))
    return (out / out.std()).astype(np.float32)


def texture(rng, kind: str, side: int = 1536) -> np.ndarray:
    """A tile (side, side, 3), linear colours, about 2.5 m across."""
    if kind in ("blades", "turf", "mown", "mat"):
        hue = rng.uniform(0, 1)
        dark = np.array([0.018, 0.05, 0.012]) * (1 + hue)
        lit = np.array([0.10 + 0.12 * hue, 0.26, 0.04 + 0.03 * hue]) * rng.uniform(0.6, 1.2)
        if kind == "mat":
            lit = np.array([[0.03, 0.2, 0.05], [0.02, 0.13, 0.09], [0.05, 0.16, 0.03]])[
                rng.integers(3)
            ]
            dark = lit * 0.45
        out = np.empty((side, side, 3), np.float32)
        out[:] = dark
        count, long = (side * side // 90, 11) if kind != "mat" else (side * side // 40, 4)
        at = rng.uniform(0, side, (count, 2))
        turn, size = rng.uniform(0, 2 * np.pi, count), long * rng.uniform(0.5, 1.5, count)
        tips = at + np.stack([np.cos(turn), np.sin(turn)], 1) * size[:, None]
        tone = rng.beta(2, 2, count)
        straw = rng.random(count) < (0.08 * hue if kind != "mat" else 0)
        for p, q, t, s in zip(at.astype(int), tips.astype(int), tone, straw, strict=True):
            colour = np.array([0.3, 0.24, 0.1]) * (0.5 + t) if s else dark + (lit - dark) * t
            cv2.line(
                out,
                (int(p[0]), int(p[1])),
                (int(q[0]), int(q[1])),
                colour.tolist(),
                1 + int(t > 0.6),
            )
        out = cv2.GaussianBlur(out, (0, 0), 0.6)
        patchy = 0.16 if kind != "mat" else 0.05
        return np.clip(out * np.exp(noise(rng, side, 1.3) * patchy)[..., None], 0, 1)
    if kind == "gravel":
        out = np.full((side, side, 3), 0.06, np.float32)
        base = np.array([[0.25, 0.23, 0.2], [0.3, 0.2, 0.15], [0.2, 0.2, 0.22]])[rng.integers(3)]
        for size, count in ((3, 40000), (6, 16000), (12, 3500), (20, 500)):
            for _ in range(count):
                x, y = rng.integers(0, side, 2)
                a, b = np.maximum(1, size * rng.uniform(0.5, 1.2, 2)).astype(int)
                tone = rng.uniform(0.4, 1.6)
                colour = base * tone * rng.uniform(0.85, 1.15, 3)
                deg = float(rng.uniform(0, 180))
                at = (int(x), int(y))
                cv2.ellipse(
                    out, at, (int(a) + 1, int(b) + 1), deg, 0, 360, (colour * 0.35).tolist(), -1
                )
                cv2.ellipse(out, at, (int(a), int(b)), deg, 0, 360, colour.tolist(), -1)
        return np.clip(cv2.GaussianBlur(out, (0, 0), 0.7), 0, 1)
    base = {
        "dirt": np.array([0.2, 0.12, 0.07]),
        "concrete": np.array([0.3, 0.3, 0.29]),
        "paving": np.array([0.28, 0.26, 0.23]),
        "carpet": np.array([[0.16, 0.15, 0.15], [0.06, 0.08, 0.16], [0.14, 0.05, 0.05]])[
            rng.integers(3)
        ],
    }[kind] * rng.uniform(0.7, 1.4)
    coarse, fine = {
        "dirt": (0.28, 0.3),
        "concrete": (0.15, 0.1),
        "paving": (0.12, 0.12),
        "carpet": (0.03, 0.35),
    }[kind]
    tone = np.exp(coarse * noise(rng, side, 1.4) + fine * noise(rng, side, 0.25))
    out = base.astype(np.float32) * tone[..., None]
    if kind == "paving":
        step = side // int(rng.integers(4, 8))
        for k in range(0, side, step):
            out[k : k + 7] *= 0.35
            out[:, k : k + 7] *= 0.35
        for i in range(0, side, step):
            for j in range(0, side, step):
                out[i : i + step, j : j + step] *= rng.uniform(0.8, 1.2)
    return np.clip(out, 0, 1)

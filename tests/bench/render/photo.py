"""What a phone makes of linear light: exposure, motion, noise, tone, sharpening."""

import cv2
import numpy as np


def photographed(
    linear: np.ndarray, light: str, rng, draw: np.random.Generator
) -> tuple[np.ndarray, list]:
    """8-bit BGR of linear light: exposure, motion, noise, tone. `draw` is shared by a walk."""
    tags = []
    bright = np.percentile(linear.mean(-1), 92)
    out = linear / max(bright, 1e-6) * draw.uniform(0.45, 0.85)
    balance = 1 + draw.normal(0, 0.05, 3)
    out = out * balance.astype(np.float32)
    if rng.random() < 0.22:
        length, turn = rng.uniform(1.0, 4.0), rng.uniform(0, np.pi)
        kernel = np.zeros((9, 9), np.float32)
        for t in np.linspace(-0.5, 0.5, 41):
            x, y = 4 + t * length * np.cos(turn), 4 + t * length * np.sin(turn)
            i, j = int(np.floor(y)), int(np.floor(x))
            fy, fx = y - i, x - j
            for di, dj, v in (
                (0, 0, (1 - fy) * (1 - fx)),
                (0, 1, (1 - fy) * fx),
                (1, 0, fy * (1 - fx)),
                (1, 1, fy * fx),
            ):
                if 0 <= i + di < 9 and 0 <= j + dj < 9:
                    kernel[i + di, j + dj] += v
        out = cv2.filter2D(out, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REPLICATE)
        tags.append("motion_blur")
    gain = {"dusk": 0.004, "indoor": 0.0012}.get(light, 0.0004) * draw.uniform(0.5, 1.5)
    out = out + rng.normal(size=out.shape).astype(np.float32) * np.sqrt(out * gain + gain * 0.02)
    if light == "dusk":
        tags.append("noisy")
    out = np.clip(out, 0, 1)
    srgb = np.where(out < 0.0031308, out * 12.92, 1.055 * out ** (1 / 2.4) - 0.055)
    if draw.random() < 0.5:  # a phone's sharpening
        soft = cv2.GaussianBlur(srgb, (0, 0), 1.2)
        srgb = srgb + draw.uniform(0.2, 0.6) * (srgb - soft)
    return (np.clip(srgb[..., ::-1], 0, 1) * 255 + 0.5).astype(np.uint8), tags

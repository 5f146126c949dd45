"""Surfaces, as Mitsuba's plain dictionaries."""


def matt(rgb) -> dict:
    rgb = {"type": "rgb", "value": [float(v) for v in rgb]}
    return {"type": "twosided", "b": {"type": "diffuse", "reflectance": rgb}}


def glossy(rgb, alpha: float = 0.15) -> dict:
    rgb = {"type": "rgb", "value": [float(v) for v in rgb]}
    return {
        "type": "twosided",
        "b": {"type": "roughplastic", "diffuse_reflectance": rgb, "alpha": alpha},
    }


def metal(alpha: float) -> dict:
    return {"type": "twosided", "b": {"type": "roughconductor", "material": "Al", "alpha": alpha}}

"""How the report prints: digits, colours and contrast against what was published."""

from __future__ import annotations

import importlib.resources
import re

import pytest

from benchkit.report.digits import decimals_for, fixed
from benchkit.report.palette import OKABE_ITO


@pytest.mark.parametrize(
    ("value", "expanded", "printed"),
    [
        # EA-4/02 M:2022, S7 (step attenuator, 30 dB): u = 0.0224185 dB, printed "30.043 dB ± 0.045 dB".
        (30.04325, 2 * 0.0224185, "30.043 ± 0.045"),
        # EA-4/02 M:2022, S6 (power sensor, 18 GHz): u = 0.0161764, printed "0.933 ± 0.032".
        (0.933024133, 2 * 0.0161763656, "0.933 ± 0.032"),
        # JCGM 100:2008, 7.2.6 (from memory): y = 10.057 62 ohm with 27 mohm is rounded to 10.058 ohm.
        (10.05762, 0.027, "10.058 ± 0.027"),
    ],
)
def test_values_are_rounded_as_the_guides_print_theirs(value: float, expanded: float, printed: str) -> None:
    decimals = decimals_for(expanded)
    assert f"{fixed(value, decimals)} ± {fixed(expanded, decimals)}" == printed


def test_the_palette_is_the_published_one() -> None:
    """B. Wong, Nature Methods 8 (2011) 441, figure 2, after Okabe and Ito; RGB from memory."""
    published = {
        "black": (0, 0, 0), "orange": (230, 159, 0), "sky blue": (86, 180, 233), "bluish green": (0, 158, 115),
        "yellow": (240, 228, 66), "blue": (0, 114, 178), "vermillion": (213, 94, 0), "reddish purple": (204, 121, 167),
    }  # fmt: skip
    assert {name: tuple(bytes.fromhex(colour[1:])) for name, colour in OKABE_ITO.items()} == published


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.1; from memory)."""
    parts = [value / 255 for value in bytes.fromhex(colour[1:])]
    red, green, blue = (part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_text_has_the_contrast_the_guidelines_ask_for() -> None:
    """WCAG 2.1, 1.4.3 (level AA): 4.5 to 1. The formula is held against its own end: black on white is 21 to 1."""
    style = (importlib.resources.files("benchkit.report") / "templates" / "page.css").read_text()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for text in ("ink", "quiet", "alarm", "good"):
        for ground in ("paper", "tint"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)

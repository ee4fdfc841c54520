"""Colours that can be read: WCAG 2.2 asks 4.5 to 1 of text and 3 to 1 of marks."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.theme import DARK, LIGHT, Palette, contrast, mixed, text_on, turning_point

CONFIG = Path(__file__).parents[2] / "dashboard" / "entry" / ".streamlit" / "config.toml"
MODES = {"light": LIGHT, "dark": DARK}


def test_contrast_is_that_of_the_standard() -> None:
    # WCAG 2.2, contrast ratio: black on white is 21 to 1, and #767676 on white just passes 4.5 (both from memory)
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.parametrize("palette", MODES.values(), ids=MODES)
@pytest.mark.parametrize("name", ["ink", "quiet", "main", "adverse", "second"])
def test_words_and_marks_stand_out_from_the_ground(palette: Palette, name: str) -> None:
    assert contrast(getattr(palette, name), palette.ground) >= 4.5


@pytest.mark.parametrize("palette", MODES.values(), ids=MODES)
def test_adverse_and_not_adverse_differ_in_brightness_too(palette: Palette) -> None:
    assert contrast(palette.adverse, palette.band) >= 3


@pytest.mark.parametrize("mode", MODES)
def test_the_frame_has_the_colours_of_the_charts(mode: str) -> None:
    theme = tomllib.loads(CONFIG.read_text(encoding="utf-8"))["theme"][mode]
    palette = MODES[mode]
    assert (theme["backgroundColor"], theme["textColor"]) == (palette.ground, palette.ink)
    assert theme["primaryColor"] == theme["linkColor"] == palette.main
    assert contrast(theme["borderColor"], palette.ground) >= 3
    assert contrast(theme["textColor"], theme["secondaryBackgroundColor"]) >= 4.5


COLOURS = st.integers(0, 0xFFFFFF).map(lambda number: f"#{number:06x}")


@given(COLOURS)
def test_one_of_black_and_white_reads_on_any_colour(colour: str) -> None:
    assert contrast(text_on(colour), colour) >= 4.5


@given(COLOURS, COLOURS)
def test_a_mix_runs_from_one_colour_to_the_other(low: str, high: str) -> None:
    assert (mixed(low, high, 0), mixed(low, high, 1)) == (low, high)


@pytest.mark.parametrize("palette", MODES.values(), ids=MODES)
@pytest.mark.parametrize("name", ["adverse", "second"])
def test_text_in_shaded_cells_reads_at_every_shade(palette: Palette, name: str) -> None:
    high = getattr(palette, name)
    turn = turning_point(palette.ground, high)
    for step in range(101):
        colour = mixed(palette.ground, high, step / 100)
        text = text_on(high) if step / 100 >= turn else text_on(palette.ground)
        assert contrast(text, colour) >= 4.4, (step, colour)


def test_nothing_in_the_settings_asks_the_network() -> None:
    settings = tomllib.loads(CONFIG.read_text(encoding="utf-8"))
    assert settings["browser"]["gatherUsageStats"] is False
    assert settings["server"]["address"] == "127.0.0.1"
    assert settings["client"]["showErrorDetails"] == "none"
    assert "http" not in CONFIG.read_text(encoding="utf-8")

"""The colours of still pictures: those of the page by day (page.css). A report swaps them for its own, by role, so that
it follows its reader's light or dark."""

from __future__ import annotations

PLATE, INK, SOFT, GRID, ONE, DOUGH, WARM, ON = (
    "#fcfdfb", "#14213f", "#4a5875", "#d5dde6", "#7a89a6", "#ebc06d", "#7a2e6e", "#ffffff",
)  # fmt: skip
TIDE, CRUST, FEED = "#24458f", "#8a5a10", "#bc2a18"
SETTLING, RISING, PEAK, SINKING, RESTING, MARK = "#56647d", "#1d4fb8", "#14683d", "#94480a", "#1b667c", "#a3327f"
ROLES = {
    PLATE: "card", INK: "ink", SOFT: "soft", GRID: "edge", ONE: "one", DOUGH: "dough", WARM: "warm", ON: "on",
    TIDE: "tide", CRUST: "crust", SETTLING: "settling", RISING: "rising", PEAK: "peak", SINKING: "sinking",
    RESTING: "resting", MARK: "mark",
}  # fmt: skip
"""Each colour's name among the custom properties of a report's style sheet."""

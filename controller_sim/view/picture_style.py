"""The colours and line styles that the pictures of a run share.

Colour never stands alone: a foot, a gesture and a message differ in place and shape too, windows in their pattern, LEDs in a text.
The two colours are vermillion and blue of the palette that all forms of colour vision tell apart: M. Okabe and K. Ito, Color Universal
Design (2008). Contrasts are those of WCAG 2.1, success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1).
"""

from __future__ import annotations

from controller_sim.view.picture_labels import FONT, SIZE_PX

PAPER = "#ffffff"
INK = "#1a1a1a"
QUIET = "#595959"
"""Second-rank texts."""
LINE = "#8a8a8a"
"""Lines that say something: contacts, threads, windows."""
HAIR = "#dddddd"
"""Lines that only guide the eye."""
TINT = "#f1f1f1"
"""Every other mode, and texts' own ground."""
FOOT = "#d55e00"
WIRE = "#0072b2"

HEAD_SIZE_PX = 17
"""Of a page's title."""

TEXT_COLOURS = {"ink": INK, "quiet": QUIET, "wire": WIRE}
GRAPHIC_COLOURS = {"ink": INK, "line": LINE, "foot": FOOT, "wire": WIRE}


def luminance(colour: str) -> float:
    """Relative luminance, 0..1, of a colour `#rrggbb` (WCAG 2.1, definition of relative luminance)."""
    parts = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1..21, of two colours `#rrggbb` (WCAG 2.1, definition of contrast ratio)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


STYLE = f"""
text {{ font: {SIZE_PX}px {FONT}; fill: {INK}; }}
.head {{ font-size: {HEAD_SIZE_PX}px; font-weight: bold; }}
.about, .axis, .name2, .more {{ fill: {QUIET}; }}
.section {{ font-weight: bold; letter-spacing: 0; }}
.halo {{ paint-order: stroke; stroke: {PAPER}; stroke-width: 3px; stroke-linejoin: round; }}
.message-text {{ fill: {WIRE}; }}
.hair {{ stroke: {HAIR}; fill: none; }}
.lead {{ stroke: {LINE}; stroke-width: .75; fill: none; }}
.contact {{ stroke: {QUIET}; fill: none; }}
.level {{ fill: {FOOT}; }}
.reading {{ stroke: {FOOT}; stroke-width: 1.5; fill: none; }}
.press {{ fill: {PAPER}; stroke: {FOOT}; stroke-width: 2; }}
.thread {{ stroke: {FOOT}; fill: none; stroke-width: 1; }}
.cause {{ stroke: {LINE}; fill: none; stroke-dasharray: 1.5 2.5; }}
.gesture {{ fill: {FOOT}; }}
.response {{ fill: {PAPER}; stroke: {FOOT}; stroke-width: 1.5; }}
.fate, .restart, .failed {{ stroke: {INK}; stroke-width: 1.5; fill: none; }}
.received {{ fill: {INK}; }}
.echo {{ stroke: {INK}; stroke-width: 1; fill: none; }}
.settle, .power_on {{ fill: {QUIET}; }}
.lockout {{ fill: url(#dots); }}
.chord {{ fill: url(#slant); stroke: {LINE}; stroke-width: .75; }}
.hold {{ fill: {TINT}; stroke: {LINE}; stroke-width: .75; }}
.repeat {{ fill: url(#bars); stroke: {LINE}; stroke-width: .75; }}
.double {{ fill: url(#rules); stroke: {LINE}; stroke-width: .75; }}
.timer {{ fill: {TINT}; stroke: {LINE}; stroke-width: .75; }}
.delayed {{ fill: {PAPER}; stroke: {WIRE}; stroke-width: .75; stroke-dasharray: 3 2; }}
.due {{ stroke: {INK}; stroke-width: 2; }}
.mode {{ stroke: {INK}; stroke-width: 1; }}
.ground {{ fill: {TINT}; }}
.display {{ stroke: {LINE}; fill: {PAPER}; }}
.led-on {{ fill: {INK}; }}
.led-blink {{ fill: url(#blink); stroke: {INK}; stroke-width: .75; }}
.led-dim {{ fill: {PAPER}; stroke: {INK}; stroke-width: .75; }}
.tick {{ stroke: {QUIET}; stroke-width: .75; fill: none; }}
.message {{ fill: {WIRE}; }}
.seam {{ stroke: {PAPER}; fill: none; }}
.queue {{ stroke: {WIRE}; stroke-width: 1; fill: none; }}
.cut {{ fill: {PAPER}; }}
.torn {{ stroke: {LINE}; fill: none; }}
.off {{ fill: url(#off); }}
"""

PATTERNS = f"""<defs>
<pattern id="dots" width="3" height="3" patternUnits="userSpaceOnUse"><rect width="1.5" height="1.5" fill="{QUIET}"/></pattern>
<pattern id="slant" width="5" height="5" patternUnits="userSpaceOnUse"><path d="M-1,6L6,-1M-3,3L3,-3M2,8L8,2" stroke="{QUIET}"/></pattern>
<pattern id="bars" width="4" height="4" patternUnits="userSpaceOnUse"><path d="M1,0V4" stroke="{QUIET}"/></pattern>
<pattern id="rules" width="6" height="3" patternUnits="userSpaceOnUse"><path d="M0,1H4" stroke="{QUIET}"/></pattern>
<pattern id="blink" width="8" height="8" patternUnits="userSpaceOnUse"><rect width="4" height="8" fill="{INK}"/></pattern>
<pattern id="off" width="8" height="8" patternUnits="userSpaceOnUse"><path d="M-2,-2L10,10M-2,6L2,10M6,-2L10,2" stroke="{LINE}"/></pattern>
</defs>"""

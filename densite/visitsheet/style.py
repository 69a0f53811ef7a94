"""How the sheet looks: black lines and small, plain type, in millimetres of the paper."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from densite.visitsheet.layout import WIDTH
from densite.visitsheet.markup import width_class
from densite.visitsheet.values import LABEL_PT, VALUE_PT

PaperName = Literal["a4", "letter"]
LINE_MM = 0.2


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper: width, height, margin above and below, distance of the rows. [mm]"""

    width: float
    height: float
    margin: float
    pitch: float


# ISO 216 A4 and ANSI/ASME Y14.1 size A; a row's distance less its line leaves 5 mm to write in.
PAPERS = MappingProxyType({"a4": Paper(210, 297, 7, 5.45), "letter": Paper(215.9, 279.4, 5, 5.2)})


def style(paper: Paper, widths: Iterable[float]) -> str:
    """Return the style sheet.

    Parameters
    ----------
    paper : Paper
        From ``PAPERS``.
    widths : iterable of float
        All widths of fields and columns. [mm]

    Returns
    -------
    str
        CSS for the screen and for print.
    """
    sized = "\n".join(f".{width_class(w)}{{width:{w:g}mm}}" for w in sorted(set(widths)))
    side = (paper.width - WIDTH) / 2
    sizes = {
        "PAGE": f"{paper.width:g}mm {paper.height:g}mm", "MARGIN": f"{paper.margin:g}mm {side:g}mm",
        "WIDTH": f"{WIDTH}mm", "PITCH": f"{paper.pitch:g}mm", "LINE": f"{LINE_MM:g}mm",
        "LABEL": f"{LABEL_PT:g}pt", "VALUE": f"{VALUE_PT:g}pt",
        "INNER": f"{paper.pitch - LINE_MM:g}mm", "HALF": f"{paper.pitch - LINE_MM / 2:g}mm",
        "TWO": f"{2 * paper.pitch:g}mm", "HEAD": "5.9mm",
    }  # fmt: skip
    text = _RULES
    for name, size in sizes.items():
        text = text.replace(f"${name}", size)
    return text + sized + "\n"


# Floats and fixed widths only: browsers and WeasyPrint set them alike, and WeasyPrint is slow with nested flex boxes.
_RULES = """
@page{size:$PAGE;margin:$MARGIN}
*{box-sizing:border-box;margin:0;padding:0}
html{background:#fff;color:#000;
font:$LABEL/1 Arial,Helvetica,"Liberation Sans","Nimbus Sans","DejaVu Sans Condensed",sans-serif}
body{width:$WIDTH;margin:0 auto}
header{height:4.6mm;line-height:4.6mm;overflow:hidden}
h1{float:left;font-size:10pt}
header p{float:right;font-weight:bold}
.caution{font-weight:bold;height:2.9mm;white-space:nowrap}
.said{height:3.1mm;white-space:nowrap;overflow:hidden}
h2,h3{font-size:8pt;padding-left:.7mm;white-space:nowrap}
h3{font-size:$LABEL}
section{border-top:.4mm solid #000}
.band::after{content:"";display:block;clear:both}
.left{float:left;width:133mm}
.right{float:right;width:62mm}
.row{height:$PITCH;line-height:$INNER;border-bottom:$LINE solid #000;white-space:nowrap}
.row>h2,.row>h3,.f,.sign{float:left;height:$INNER;border-left:$LINE solid #000}
.row>h2+h3,.row>h3+dl>.f:first-child{border-left:0}
.row dl:last-child .f:last-child,.sign{border-right:$LINE solid #000;margin-right:-1mm}
.f,.sign{padding-left:.7mm}
.f{overflow:hidden}
.f dt{float:left;margin-right:.8mm}
.f dd{font-size:$VALUE;font-weight:bold}
.f dt.hidden{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
.colon{display:block;text-align:center;font-size:9pt}
.t{margin-right:1.5mm;font-size:$LABEL;font-weight:normal}
.t:last-child{margin-right:0}
.b{display:inline-block;width:3mm;height:3mm;line-height:2.5mm;border:.25mm solid #000;margin-right:.7mm;
text-align:center;vertical-align:-.65mm;font-size:9pt;font-weight:bold}
table{border-collapse:collapse;table-layout:fixed;width:100%}
th,td{border:$LINE solid #000;padding:0 .6mm;text-align:left;vertical-align:middle;overflow:hidden}
table thead tr:first-child>*{border-top:0}
th{font-weight:normal}
td{font-size:$VALUE;font-weight:bold;white-space:nowrap}
tbody tr{height:$PITCH}
thead tr{height:$HEAD}
table.cubs thead tr{height:$PITCH}
tr.two{height:$TWO}
th .c{font-style:italic}
.u{white-space:nowrap}
th h2{padding:0;margin-bottom:.6mm}
th.m{text-align:right}
th span.r{float:right}
.comb{display:block;line-height:$INNER}
.comb>span{display:block;height:$HALF;white-space:nowrap}
.comb i{display:inline-block;width:4.8mm;height:$HALF;border-right:$LINE solid #000;text-align:center;
font-style:normal;vertical-align:top}
.comb>span>i:last-child{border-right:0}
.comb>span+span{border-top:$LINE solid #000}
.f .comb{margin-left:-.7mm}
.f .comb i{width:4.1mm}
td .comb{margin:0 -.6mm}
.next{break-before:page}
.next section{border:0;margin-top:2mm}
.next table{border:$LINE solid #000}
.next td,.next th{white-space:normal;overflow-wrap:anywhere;padding:.8mm;vertical-align:top}
.next tr{break-inside:avoid}
.next dl div{display:inline;margin-right:3mm}
.next dt,.next dd{display:inline}
.next dd{unicode-bidi:isolate}
.next dt{font-weight:normal}
.next h2{height:5mm}
@media screen{body{margin:6mm auto}.next{margin-top:12mm}}
"""

"""The sheet of a den visit: a printed page for the snow, and the filled one for the file."""

from densite.visitsheet.content import SheetContent, SheetError, marks_to_expect, sheet_content
from densite.visitsheet.filename import file_stem
from densite.visitsheet.sheet import visit_sheet, write_html, write_pdf
from densite.visitsheet.style import PAPERS, PaperName

__all__ = [
    "PAPERS",
    "PaperName",
    "SheetContent",
    "SheetError",
    "file_stem",
    "marks_to_expect",
    "sheet_content",
    "visit_sheet",
    "write_html",
    "write_pdf",
]

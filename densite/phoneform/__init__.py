"""The phone form: one HTML file in which a crew writes down a den visit where there is no signal."""

from __future__ import annotations

from densite.phoneform.content import FormContent, PermitLine, form_content
from densite.phoneform.form import FormError, render, write_form
from densite.phoneform.wording import lacking, read_words, shipped

__all__ = [
    "FormContent",
    "FormError",
    "PermitLine",
    "form_content",
    "lacking",
    "read_words",
    "render",
    "shipped",
    "write_form",
]

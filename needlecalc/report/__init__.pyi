"""The grind sheet as record and as files."""

from needlecalc.report.pages import write_pdf as write_pdf
from needlecalc.report.sheet import GrindSheet as GrindSheet

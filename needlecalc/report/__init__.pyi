"""The pages as records and as files."""

from needlecalc.report.drawing import compare_page as compare_page
from needlecalc.report.drawing import needle_dxf as needle_dxf
from needlecalc.report.drawing import profile_drawing as profile_drawing
from needlecalc.report.handover import Notes as Notes
from needlecalc.report.pages import write_pdf as write_pdf
from needlecalc.report.sheet import GrindSheet as GrindSheet

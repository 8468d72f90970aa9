"""Answers as pictures: SVG to stand in a page, each with its figures as rows for those who read instead of look.

Everything is placed in px of a sheet 760 wide. Shapes and lightness tell things apart, so that grey printing works.
"""

from stackopt.report.pictures.air_picture import air, air_rows
from stackopt.report.pictures.dose_picture import doses, doses_rows
from stackopt.report.pictures.limit_picture import EDGE, limits, limits_rows
from stackopt.report.pictures.points import MOST
from stackopt.report.pictures.rate_picture import rate_map, rate_map_rows
from stackopt.report.pictures.trade_picture import trade_off, trade_off_rows

__all__ = ["EDGE", "MOST", "air", "air_rows", "doses", "doses_rows", "limits", "limits_rows", "rate_map",
           "rate_map_rows", "trade_off", "trade_off_rows"]  # fmt: skip

"""The ten figures of the report, each drawn on the axes it is given.

Each function takes one finished table, draws on `ax`, and returns a
:class:`~rehit.reporting.drawing.FigureText`: a title that states the finding, a line with n and
source, and an alternative text.
"""

from __future__ import annotations

from rehit.reporting.drawing import FigureText, house_style
from rehit.reporting.figures_money import breakeven_curve, budget_sweep, cost_over_years, method_mix
from rehit.reporting.figures_places import (
    incident_calendar,
    rate_caterpillar,
    rehit_survival,
    share_curve,
)
from rehit.reporting.figures_space import forecast_check, ring_table

__all__ = [
    "FigureText", "breakeven_curve", "budget_sweep", "cost_over_years", "forecast_check",
    "house_style", "incident_calendar", "method_mix", "rate_caterpillar", "rehit_survival",
    "ring_table", "share_curve",
]

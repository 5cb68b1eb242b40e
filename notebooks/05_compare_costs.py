# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Remove, repaint or coat?
#
# **Question.** What does each way of looking after a wall cost over the years, and where does
# changing pay?
#
# *For the asset officer and the treasurer. Set project, years and budget in the next cell and run
# all cells; the answer comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
HORIZON_YEARS = 10
BUDGET_PER_YEAR = 20000.0  # for coating, in the project's currency
PROGRAMME_YEARS = 5  # years the budget is given for

# %%
import ipywidgets as widgets
import numpy as np
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT, numbers={"costs.horizon_years": HORIZON_YEARS,
                                            "costs.programme_budget": BUDGET_PER_YEAR})
compared = rehit.compare_strategies(town)
programme = rehit.choose_programme(town, years=PROGRAMME_YEARS)
costs, costing, money = compared["costs"], compared["costing"], town.project.currency

# %% [markdown]
# ## The answer

# %%
display(compared, programme, rehit.limits_of(town))

# %% [markdown]
# The ten places where changing saves most, over the whole horizon:

# %%
whole = "{:,.0f}"
rehit.shown_table(costs[costs["cheapest"] & (costs["saving"] > 0)].nlargest(10, "saving"), {
    "place_id": "place", "strategy": "cheapest way", "saving": f"saves ({money})",
    "chance_cheapest": "how sure", "first_cost": f"first cost ({money})",
    "payback_year": "pays back in year", "breakeven_rate_per_year": "pays from this many a year"},
    forms={"saving": whole, "first_cost": whole, "payback_year": whole,
           "chance_cheapest": "{:.0%}"}, words={"strategy": "strategy"})

# %% [markdown]
# What the 20 places hit most cost together, year by year, if all were looked after in the same way:

# %%
if len(costing):
    display(rehit.draw(town, "cost_over_years"))

# %% [markdown]
# ### More or less budget

# %%
sweep = programme["sweep"]
if len(costing):
    display(rehit.draw(town, "budget_sweep"))

# %%
if len(costing):
    budget = widgets.SelectionSlider(
        options=[(f"{money}{row.budget / PROGRAMME_YEARS:,.0f} a year", i)
                 for i, row in enumerate(sweep.itertuples())],
        value=int(np.flatnonzero(sweep["chosen"])[0]), description="budget")
    display(rehit.turning(lambda at: (
        f"{sweep['n_places'].iloc[at]:,} places coated save about {money}"
        f"{sweep['saving_per_year'].iloc[at]:,.0f} a year (between "
        f"{sweep['saving_low'].iloc[at]:,.0f} and {sweep['saving_high'].iloc[at]:,.0f})"),
        at=budget))

# %% [markdown]
# ### Turn the knobs
#
# The worst place under another horizon, discount rate or hourly rate of labour:

# %%
worst = town.given(costing=costing.head(1))
if len(costing):
    wide = {"style": {"description_width": "initial"}}
    years = widgets.IntSlider(value=HORIZON_YEARS, min=1, max=30, description="years", **wide)
    percent = widgets.FloatSlider(value=100 * town.parameters["costs.discount_rate"], min=0,
                                  max=10, step=0.5, description="discount rate, %", **wide)
    labour = widgets.FloatSlider(value=town.parameters["costs.labour_per_hour"], min=10, max=120,
                                 step=1, description=f"labour, {money} an hour", **wide)
    display(rehit.turning(
        lambda years, percent, labour: rehit.shown_table(worst.with_parameters({
            "costs.horizon_years": years, "costs.discount_rate": percent / 100,
            "costs.labour_per_hour": labour}).strategy_costs, {
                "strategy": "way", "pv_mean": "present value", "pv_low": "low", "pv_high": "high",
                "annual_cost": "a year", "chance_cheapest": "chance of being cheapest"}, digits=2,
            words={"strategy": "strategy"}),
        years=years, percent=percent, labour=labour))

# %% [markdown]
# ## How
#
# From which re-hit rate on does another way pay? Shown for a place of the size at which coating
# pays, or of middling size where it pays nowhere:

# %%
if len(costing):
    display(rehit.draw(town, "breakeven_curve"))

# %% [markdown]
# What the comparison rests on, for the places with the highest rates:

# %%
rates = costing.assign(rate=costing["gamma_shape"] / costing["gamma_rate_years"])
rehit.shown_table(rates.nlargest(10, "rate"), {
    "place_id": "place", "rate": "markings a year", "method": "usual method",
    "mark_area_m2": "marked area, m²", "wall_area_m2": "surface, m²",
    "coating_allowed": "coating allowed", "access": "access"}, words={"method": "method"})

# ---
# jupyter:
#   jupytext:
#     formats: ipynb,py:percent
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
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT, numbers={"costs.horizon_years": HORIZON_YEARS,
                                            "costs.programme_budget": BUDGET_PER_YEAR})
compared = rehit.compare_strategies(town)
programme = rehit.choose_programme(town, years=PROGRAMME_YEARS)
costs, costing = compared["costs"], compared["costing"]

# %% [markdown]
# ## The answer

# %%
display(compared, programme, rehit.limits_of(town))

# %% [markdown]
# The ten places where changing saves most, over the whole horizon:

# %%
rehit.shown_table(costs[costs["cheapest"] & (costs["saving"] > 0)].nlargest(10, "saving"), [
    "place_id", "strategy", "saving", "chance_cheapest", "first_cost", "payback_year"],
    say=town.say, digits=0)

# %% [markdown]
# What the 20 places hit most cost together, year by year, if all were looked after in the same way:

# %%
if len(costing):
    display(rehit.draw(town, "cost_over_years"))

# %% [markdown]
# ### More or less budget

# %%
if len(costing):
    display(rehit.draw(town, "budget_sweep"))

# %% [markdown]
# ### Turn the knobs
#
# The worst place under another horizon, discount rate or hourly rate of labour:

# %%
worst, wide = town.given(costing=costing.head(1)), {"style": {"description_width": "initial"}}
years = widgets.IntSlider(value=HORIZON_YEARS, min=1, max=30,
                          description=town.say("notebook.knob_years"), **wide)
percent = widgets.FloatSlider(value=3, max=10, step=0.5,
                              description=town.say("notebook.knob_discount"), **wide)
labour = widgets.FloatSlider(value=35, min=10, max=120, description=town.say(
    "notebook.knob_labour", currency=town.project.currency), **wide)
if len(costing):
    display(rehit.turning(
        lambda years, percent, labour: rehit.shown_table(worst.with_parameters({
            "costs.horizon_years": years, "costs.discount_rate": percent / 100,
            "costs.labour_per_hour": labour}).strategy_costs, [
                "strategy", "pv_mean", "pv_low", "pv_high", "chance_cheapest"], say=town.say,
            digits=0), years=years, percent=percent, labour=labour))

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
rates = costing.assign(rate_per_year=costing["gamma_shape"] / costing["gamma_rate_years"])
rehit.shown_table(rates.nlargest(10, "rate_per_year"), [
    "place_id", "rate_per_year", "method", "mark_area_m2", "wall_area_m2"], say=town.say)

# %% [markdown]
# Method: present value of yearly costs at a constant discount rate (HM Treasury, The Green Book,
# 2022).
#
# ## Exercise for your own log
#
# Give your own hourly rate under `[costs]` in `rehit.toml`. At which budget does one more coated
# place no longer pay, and does the range there still exclude a loss?

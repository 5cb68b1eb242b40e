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
# *For the asset officer and the treasurer. Change the cell below and run all cells; the answer
# comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
HORIZON_YEARS = 10
BUDGET_PER_YEAR = 20000.0

# %%
import ipywidgets as widgets
import matplotlib.pyplot as plt
import numpy as np
from IPython.display import Markdown, display

from rehit.costs.cashflow import cash_flow_table
from rehit.costs.lifecycle import compare_strategies
from rehit.pipeline.chain import Chain
from rehit.pipeline.costing import cost_sentences, cost_years, rate_costs
from rehit.project import load_project
from rehit.reporting.figures import breakeven_curve, cost_over_years, house_style
from rehit.reporting.words import Words

chain = Chain(load_project(PROJECT))
chain.set_parameter("costs.horizon_years", HORIZON_YEARS, where="this notebook")
chain.set_parameter("costs.programme_budget", BUDGET_PER_YEAR, where="this notebook")
words, money = Words("en"), chain.project.currency

# %% [markdown]
# ## The answer

# %%
display(Markdown("\n".join(f"- {sentence}" for sentence in cost_sentences(chain))))

# %%
best = chain.strategy_costs[chain.strategy_costs["cheapest"]]
best.nlargest(10, "saving")[["place_id", "strategy", "saving", "chance_cheapest", "first_cost",
                             "payback_year", "breakeven_rate_per_year"]].round(2)

# %%
with house_style():
    figure, ax = plt.subplots(figsize=(8, 4.5), layout="constrained")
    cost_over_years(cost_years(chain, n_places=20), ax=ax, words=words, currency=money)
    plt.show()

# %% [markdown]
# ### Turn the knob
#
# The worst place under another horizon or discount rate:

# %%
worst = chain.costing.head(1)
horizon = widgets.IntSlider(value=HORIZON_YEARS, min=1, max=30, description="years")
rate = widgets.FloatSlider(value=3.5, min=0, max=10, step=0.5, description="discount %")
answer = widgets.interactive_output(
    lambda years, percent: display(compare_strategies(
        worst, horizon_years=years, rng=np.random.default_rng(1),
        parameters=chain.cost_parameters.override({"costs.discount_rate": percent / 100}))[
            ["strategy", "pv_mean", "pv_low", "pv_high", "annual_cost",
             "chance_cheapest"]].round(2)),
    {"years": horizon, "percent": rate})
display(horizon, rate, answer)

# %% [markdown]
# ## How
#
# From which re-hit rate on does another way pay, at a typical place?

# %%
with house_style():
    figure, ax = plt.subplots(figsize=(8, 4.5), layout="constrained")
    breakeven_curve(rate_costs(chain), ax=ax, words=words, currency=money)
    plt.show()

# %% [markdown]
# Every cost line of the worst place, year by year:

# %%
cash_flow_table(worst, parameters=chain.cost_parameters).head(20).round(2)

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
from html import escape

import ipywidgets as widgets
import matplotlib.pyplot as plt
import numpy as np
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.costs.lifecycle import cash_flow_table, compare_strategies
from rehit.outputs.costs import cost_messages, cost_years, programme_message, rate_costs
from rehit.project import load_project
from rehit.report.figures import breakeven_curve, budget_sweep, cost_over_years, house_style
from rehit.report.knobs import turning
from rehit.report.say import Say
from rehit.report.sections import where_coating_pays

chain = Chain(load_project(PROJECT)).with_parameters(
    {"costs.horizon_years": HORIZON_YEARS, "costs.programme_budget": BUDGET_PER_YEAR},
    where="this notebook")
say, money = Say("en"), chain.project.currency
costing, costs, numbers = chain.costing, chain.strategy_costs, chain.cost_parameters

# %% [markdown]
# ## The answer

# %%
programme = chain.programme(years=PROGRAMME_YEARS)
said = say.all([*cost_messages(chain),
                programme_message(chain, programme, years=PROGRAMME_YEARS)])
said.append(where_coating_pays(
    costing, costs, say=say, top=20, kinds=chain.repeats.set_index("place_id")["asset_type"]))
display(HTML("<ul class='say'>" + "".join(
    f"<li>{escape(line)}</li>" for line in [*said, *chain.limits] if line) + "</ul>"))

# %% [markdown]
# The ten places where changing saves most, over the whole horizon:

# %%
best = costs[costs["cheapest"] & (costs["saving"] > 0)].nlargest(10, "saving")
columns = {"place_id": "place", "strategy": "cheapest way", "saving": f"saves ({money})",
           "chance_cheapest": "how sure", "first_cost": f"first cost ({money})",
           "payback_year": "pays back in year",
           "breakeven_rate_per_year": "pays from this many a year"}
if best.empty:
    print("None: removing each marking as it comes is cheapest at every place of this log.")
else:
    display(best[list(columns)].replace({"strategy": r"_"}, {"strategy": " "}, regex=True).rename(
        columns=columns).style.hide().format(
        "{:,.0f}", na_rep="-", subset=[columns[c] for c in ("saving", "first_cost", "payback_year")]
    ).format("{:.0%}", subset=["how sure"]).format(
        "{:.1f}", na_rep="-", subset=["pays from this many a year"]))

# %% [markdown]
# What the 20 places hit most cost together, year by year, if all were looked after in the same way:

# %%
if len(costing):
    with house_style():
        figure, ax = plt.subplots(figsize=(8, 4.5), layout="constrained")
        text = cost_over_years(cost_years(chain, n_places=20), ax=ax, say=say, currency=money)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %% [markdown]
# ### More or less budget

# %%
if len(costing):
    sweep = chain.budget_sweep(years=PROGRAMME_YEARS)
    with house_style():
        figure, ax = plt.subplots(figsize=(8, 4.5), layout="constrained")
        text = budget_sweep(sweep, ax=ax, say=say, currency=money)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %%
if len(costing):
    budget = widgets.SelectionSlider(
        options=[(f"{money}{row.budget / PROGRAMME_YEARS:,.0f} a year", i)
                 for i, row in enumerate(sweep.itertuples())],
        value=int(np.flatnonzero(sweep["chosen"])[0]), description="budget")
    display(turning(lambda at: escape(
        f"{sweep['n_places'].iloc[at]:,} places coated save about {money}"
        f"{sweep['saving_per_year'].iloc[at]:,.0f} a year (between "
        f"{sweep['saving_low'].iloc[at]:,.0f} and {sweep['saving_high'].iloc[at]:,.0f})"),
        at=budget))

# %% [markdown]
# ### Turn the knobs
#
# The worst place under another horizon, discount rate or hourly rate of labour:

# %%
worst = costing.head(1)
shown = {"strategy": "way", "pv_mean": "present value", "pv_low": "low", "pv_high": "high",
         "annual_cost": "a year", "chance_cheapest": "chance of being cheapest"}
if len(worst):
    wide = {"style": {"description_width": "initial"}}
    years = widgets.IntSlider(value=HORIZON_YEARS, min=1, max=30, description="years", **wide)
    percent = widgets.FloatSlider(value=100 * numbers["costs.discount_rate"], min=0, max=10,
                                  step=0.5, description="discount rate, %", **wide)
    labour = widgets.FloatSlider(value=numbers["costs.labour_per_hour"], min=10, max=120, step=1,
                                 description=f"labour, {money} an hour", **wide)
    display(turning(
        lambda years, percent, labour: compare_strategies(
            worst, strategies=chain.project.path("strategies"), horizon_years=years,
            rng=np.random.default_rng(1), parameters=numbers.override({
                "costs.discount_rate": percent / 100, "costs.labour_per_hour": labour}))[
                    list(shown)].rename(columns=shown).round(2).to_html(index=False, border=0),
        years=years, percent=percent, labour=labour))

# %% [markdown]
# ## How
#
# From which re-hit rate on does another way pay? Shown for a place of the size at which coating
# pays, or of middling size where it pays nowhere:

# %%
if len(costing):
    with house_style():
        figure, ax = plt.subplots(figsize=(8, 4.5), layout="constrained")
        text = breakeven_curve(rate_costs(chain), ax=ax, say=say, currency=money)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %% [markdown]
# The first cost lines of the worst place, year by year:

# %%
if len(worst):
    flows = cash_flow_table(worst, parameters=numbers).head(20)
    display(flows.style.hide().format(precision=2, escape="html"))

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
# # What should a maintenance contract for this patch cost?
#
# **Question.** What will a year of removals cost the contractor, how sure is that, and which
# price keeps the wanted margin?
#
# *For the contractor who bids, and for the council that compares bids. Change the cell below and
# run all cells; the answer comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
YEARS = 1
MARGIN = 0.10  # profit as a share of the price, not of the cost
RECEIVED = ""  # a CSV of prices received: tenderer, form, item, value

# %%
from html import escape

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.contract.compare import compare_received, comparison_findings, read_received
from rehit.contract.price import (
    exact_work_cost,
    expected_year,
    markup_from_margin,
    schedule_of_rates,
    sensitivity,
)
from rehit.outputs.price import price_chain
from rehit.project import load_project
from rehit.report.bid import bid_findings
from rehit.report.figures import house_style
from rehit.report.say import Say

chain = Chain(load_project(PROJECT))
contract = price_chain(chain, margin=MARGIN, years=YEARS)
moved = sensitivity(contract, rng=chain.rng("price sensitivity"))
money = chain.project.currency
say = Say(chain.project.language, money)

# %% [markdown]
# ## The answer

# %%
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(said)}</li>" for said in (
    *say.all(bid_findings(contract, moved)), *chain.limits)) + "</ul>"))

# %%
asked = {"form": "form of contract", "level": "keeps the margin in",
         "price_per_year": f"price a year ({money})", "expected_margin": "expected margin",
         "chance_of_loss": "chance of a loss",
         "tail_loss_per_year": f"loss a year in the worst cases ({money}; below 0: a profit)"}
contract.prices[list(asked)].assign(form=say.cells(contract.prices["form"], "price_form")).rename(
    columns=asked).style.hide().format("{:,.0f}", subset=[
        asked["price_per_year"], asked["tail_loss_per_year"]]).format("{:.0%}", subset=[
            asked["level"], asked["expected_margin"]]).format(
                "{:.1%}", subset=[asked["chance_of_loss"]])

# %%
display(HTML("<p>Who carries which risk:</p><ul class='say'>" + "".join(
    f"<li><b>{escape(say.code('price_form', form))}</b>: {escape(say(f'carries.{form}'))}</li>"
    for form in contract.prices["form"].unique()) + "</ul>"))

# %%
display(HTML(
    f"<p>A margin of {MARGIN:.1%} of the price is a markup of {markup_from_margin(MARGIN):.1%} on "
    "the cost. A price at P80 keeps the margin in 80 of 100 simulated contracts.</p>"))

# %%
cost, offer = contract.outlook.cost[:, 0], contract.price("lump_sum")
with house_style():
    figure, ax = plt.subplots(figsize=(8, 4), layout="constrained")
    ax.hist(cost, bins=60)
    ax.axvline(offer["price_per_year"], color="black", linestyle="--")
    ax.annotate("lump sum asked", (offer["price_per_year"], 0.95), rotation=90, ha="right",
                va="top", xycoords=("data", "axes fraction"))
    ax.set_xlabel(f"cost of the first year ({money})")
    ax.set_ylabel("simulated years")
    ax.set_title("What the first year may cost")
    low, high = np.quantile(cost, [0.1, 0.9])
    display(figure, metadata={"image/png": {"alt": (
        f"Simulated costs of the first year as bars: {money}{low:,.0f} to {money}{high:,.0f} in "
        f"80 of 100; a dashed line at the lump sum asked, {money}{offer['price_per_year']:,.0f}")}})
    plt.close(figure)

# %% [markdown]
# ### The schedule of rates asked

# %%
schedule_of_rates(contract).round(2)

# %% [markdown]
# ## How
#
# **Volume.** Jobs expected in the first year by method and size, with the 80 % interval:

# %%
contract.volume_table().round(1)

# %% [markdown]
# **Crews.** Each number of crews was held against the response standards in a simulated queue.
# Erlang's formula stands beside it; it knows neither bursts nor that offensive markings go first.

# %%
contract.crews.round(3)

# %% [markdown]
# **Cost of the first year** at the expected volume, line by line:

# %%
pd.Series(expected_year(contract), name=money).map("{:,.0f}".format).rename(
    index=lambda name: say.code("cost_line", name)).to_frame()

# %% [markdown]
# **What moves the price.** Each assumption lower and higher by the same share:

# %%
with house_style():
    figure, ax = plt.subplots(figsize=(8, 5), layout="constrained")
    shown = moved.iloc[::-1]
    ax.barh(say.cells(shown["assumption"], "assumption"), shown["price_high"] - shown["price_low"],
            left=shown["price_low"])
    ax.axvline(moved["price"].iloc[0], color="black", linewidth=0.8)
    ax.set_xlabel(f"lump sum a year ({money})")
    ax.set_title(f"Each assumption moved by {moved['swing'].iloc[0]:.0%}")
    display(figure, metadata={"image/png": {"alt": (
        "How far each assumption moves the lump sum, as bars, longest first: "
        + ", ".join(say.cells(moved["assumption"], "assumption")))}})
    plt.close(figure)

# %% [markdown]
# **Check.** The cost of work by simulation against its exact distribution:

# %%
exact, simulated = exact_work_cost(contract, rng=chain.rng("price check"))
pd.DataFrame(
    {f"P{round(100 * level)}": (exact.quantile(level), float(np.quantile(simulated, level)))
     for level in (0.5, 0.8, 0.9)}, index=["exact", "simulated"]).map("{:,.0f}".format)

# %% [markdown]
# ### For the council: prices received, on the same simulated years

# %%
if RECEIVED:
    compared = compare_received(contract, read_received(RECEIVED), rng=chain.rng("received"))
    display(HTML("<ul class='say'>" + "".join(
        f"<li>{escape(said)}</li>" for said in say.all(comparison_findings(compared)))
        + "</ul>"))
    display(compared.style.hide().format(precision=2, escape="html"))
else:
    display(HTML("<p>No prices received were named: set RECEIVED above to compare some.</p>"))

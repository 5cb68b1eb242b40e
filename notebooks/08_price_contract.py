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
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT)
priced = rehit.price_contract(town, margin=MARGIN, years=YEARS, received=RECEIVED or None)

# %% [markdown]
# ## The answer

# %%
display(priced, rehit.limits_of(town))

# %%
rehit.shown_table(priced["prices"], [
    "form", "chance_margin_kept", "price_per_year", "expected_margin", "chance_of_loss",
    "tail_profit_per_year", "who_carries"], say=town.say, digits=0, words={"form": "price_form"},
    forms={"expected_margin": "share", "chance_of_loss": "share1"})

# %%
print(town.say("notebook.markup", margin=MARGIN, markup=MARGIN / (1 - MARGIN)))

# %%
rehit.draw(town, "year_costs", priced=priced)

# %% [markdown]
# ### The schedule of rates asked

# %%
rates, by_area = priced["rates"], priced["rates"]["section"] == "area"
display(
    rehit.shown_table(rates[by_area], [
        "method", "size_class", "access_kind", "quantity", "direct", "price"], say=town.say,
        digits=2, words={"access_kind": "access", "size_class": "size_class"}),
    rehit.shown_table(rates[~by_area], ["item", "unit", "quantity", "direct", "price"],
                      say=town.say, digits=2, words={"item": "rate_item", "unit": "rate_unit"}))

# %% [markdown]
# ## How
#
# **Volume.** Jobs expected in the first year by method and size, with the 80 % interval:

# %%
rehit.shown_table(priced["volume"], say=town.say, words={"size_class": "size_class"})

# %% [markdown]
# **Crews.** Ways to provide crews, each held against the response standards in a simulated queue
# and priced; the bid rests on the one chosen.

# %%
rehit.shown_table(priced["crews"], [
    "arrangement", "crews", "persons", "in_time_offensive", "in_time_ordinary", "wait_hours",
    "lump_sum", "chance_of_loss", "chosen"], say=town.say, forms={
        "crews": "given", "persons": "given", "lump_sum": "whole", "chance_of_loss": "share1"},
    words={"arrangement": "arrangement"})

# %% [markdown]
# **Cost of the first year** at the expected volume, line by line:

# %%
rehit.shown_table(priced["first_year"].rename(columns={"line": "cost_line"}), say=town.say,
                  digits=0, words={"cost_line": "bid_line"})

# %% [markdown]
# **What moves the price.** Each assumption lower and higher by the same share:

# %%
rehit.draw(town, "price_swings", priced=priced)

# %% [markdown]
# **Check.** The cost of work by simulation against its exact distribution:

# %%
rehit.shown_table(priced["check"], say=town.say, digits=0, forms={"level": "share"})

# %% [markdown]
# ### For the council: prices received, on the same simulated years

# %%
if "received" in priced.tables:
    display(rehit.shown_table(priced["received"], [
        "tenderer", "form", "mean", "p80", "tail_mean", "chance_cheapest", "below_cost"],
        say=town.say, digits=0, words={"form": "price_form"}))
else:
    print(town.say("notebook.none_received"))

# %% [markdown]
# Method: simulated years of work; a queue of jobs against the response standards; the cost of
# work against its exact distribution (Grübel and Hermesmeier 1999, ASTIN Bulletin 29, 197–214).
#
# ## Exercise for your own log
#
# Price your own patch at the margin you need. Which assumption moves the price most, and what
# would it cost to know it better before bidding?

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
money = town.project.currency

# %% [markdown]
# ## The answer

# %%
display(priced, rehit.limits_of(town))

# %%
rehit.shown_table(priced["prices"], {
    "form": "form of contract", "level": "keeps the margin in",
    "price_per_year": f"price a year ({money})", "expected_margin": "expected margin",
    "chance_of_loss": "chance of a loss",
    "tail_loss_per_year": f"loss a year in the worst cases ({money}; below 0: a profit)",
    "who_carries": "who carries which risk"}, forms={
        "price_per_year": "{:,.0f}", "tail_loss_per_year": "{:,.0f}", "level": "{:.0%}",
        "expected_margin": "{:.0%}", "chance_of_loss": "{:.1%}"}, words={"form": "price_form"})

# %%
print(f"A margin of {MARGIN:.1%} of the price is a markup of {MARGIN / (1 - MARGIN):.1%} on the "
      "cost.")

# %%
rehit.draw(town, "year_costs", priced=priced)

# %% [markdown]
# ### The schedule of rates asked

# %%
rehit.shown_table(priced["rates"], digits=2)

# %% [markdown]
# ## How
#
# **Volume.** Jobs expected in the first year by method and size, with the 80 % interval:

# %%
rehit.shown_table(priced["volume"])

# %% [markdown]
# **Crews.** Ways to provide crews, each held against the response standards in a simulated queue
# and priced; the bid rests on the one chosen.

# %%
rehit.shown_table(priced["crews"], digits=3, words={"arrangement": "arrangement"})

# %% [markdown]
# **Cost of the first year** at the expected volume, line by line:

# %%
rehit.shown_table(priced["first_year"], digits=0, words={"line": "bid_line"})

# %% [markdown]
# **What moves the price.** Each assumption lower and higher by the same share:

# %%
rehit.draw(town, "price_swings", priced=priced)

# %% [markdown]
# **Check.** The cost of work by simulation against its exact distribution:

# %%
rehit.shown_table(priced["check"], digits=0, forms={"level": "{:.0%}"})

# %% [markdown]
# ### For the council: prices received, on the same simulated years

# %%
if "received" in priced.tables:
    display(rehit.shown_table(priced["received"], digits=2))
else:
    print("No prices received were named: set RECEIVED above to compare some.")

# %% [markdown]
# Method: simulated years of work; a queue of jobs against the response standards; the cost of
# work against its exact distribution (Grübel and Hermesmeier 1999, ASTIN Bulletin 29, 197–214).
#
# ## Exercise for your own log
#
# Price your own patch at the margin you need. Which assumption moves the price most, and what
# would it cost to know it better before bidding?

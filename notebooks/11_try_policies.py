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
# # What if we ran the patch another way?
#
# **Question.** What would people see, and what would it cost, if we cleared sooner, looked more
# often, coated walls, or had fewer crew hours?
#
# *For the council that decides, and the officer who has to say what follows. Change the cell below
# and run all cells; the answer comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
POLICIES = ""  # your own policies.toml; empty for those that come with rehit
YEARS = 3
DRAWS = 100  # possible worlds; more are steadier and take longer
WORTH_OF_DAY = 1.0  # what a day without a marking that would stand is worth to you

# %%
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT)
tried = rehit.try_policies(town, policies=POLICIES or None, years=YEARS, draws=DRAWS,
                           worth_of_day=WORTH_OF_DAY)
WORDS = {name: name for name in ("policy", "measure", "unknown")}  # codes that are words for people

# %% [markdown]
# ## The answer

# %%
display(tried)

# %%
rehit.draw(town, "cost_and_days", tried=tried)

# %% [markdown]
# ## How
#
# **One patch, lived through.** Markings come to each place at its own rate, in bursts and with the
# season; people report them late or never; crews have hours, ways to drive and walls to clear.
# Every policy meets the same markings, so what differs is its doing (common random numbers:
# Glasserman and Yao 1992, Management Science 38, 884-908). With one wall and no limits this is
# Little's law (1961, Operations Research 9, 383-387): markings that stand = markings a day times
# days each stands.

# %%
table = tried["policies"]
rehit.shown_table(table[table["policy"].eq("today") & table["year"].eq(0)],
                  ["measure", "average", "low", "high"], say=town.say, digits=2, words=WORDS)

# %% [markdown]
# **What each policy adds** to today's practice over all years, world by world; `sure` is the share
# of worlds in which the sign is that of the mean.

# %%
added = tried["against_today"]
shown = added["measure"].isin(["visible_days", "cost", "cash", "crew_hours", "share_in_time"])
rehit.shown_table(added[shown], say=town.say, digits=2, words=WORDS, forms={"sure": "chance"})

# %% [markdown]
# **Which to choose** hangs on what a day without a marking is worth.

# %%
rehit.shown_table(tried["best"][tried["best"]["chosen"]], ["worth_of_day", "policy", "best_in"],
                  say=town.say, words=WORDS, forms={"best_in": "chance"})

# %% [markdown]
# **What to find out first**: what knowing each unknown for certain would be worth (Strong, Oakley
# and Brennan 2014, Medical Decision Making 34, 311-326).

# %%
rehit.shown_table(tried["to_measure"], say=town.say, top=5, digits=0, words=WORDS)

# %% [markdown]
# **Does quick clearance make re-hits rarer?** Published evidence conflicts, so it is tried: at
# none, and at both ends of the interval that this log gives. `flips_at` is where a choice turns.

# %%
rehit.shown_table(tried["quick_clearance"], say=town.say, digits=3, words=WORDS)

# %% [markdown]
# ## Exercise for your own log
#
# Write a `policies.toml` with the standard your council discusses and the looks your crew could
# make. Which of the two buys a day without a marking at the lower price? Before you act on it, name
# one thing the town would show within three months if this were wrong.

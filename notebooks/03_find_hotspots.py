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
# # What keeps being hit?
#
# **Question.** Which places recur, how fast, is it more than chance, and what comes next?
#
# *For the asset officer. Set the project and the threshold in the next cell and run all cells; the
# answer comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
THRESHOLD_PER_YEAR = 4.0  # a place above this many incidents a year counts as recurring

# %%
import ipywidgets as widgets
import pandas as pd

import rehit

town = rehit.open_project(PROJECT, numbers={"hotspots.threshold_per_year": THRESHOLD_PER_YEAR})
ranking = rehit.rank_places(town)
places = ranking["places"]

# %% [markdown]
# ## The answer

# %%
ranking

# %% [markdown]
# The ten worst places. A rate is what to expect of the place, not just what was counted; the truth
# lies between *low* and *high* nine times in ten.

# %%
rehit.shown_table(places[places["n_incidents"] > 0], [
    "place_id", "asset_type", "n_incidents", "n_rehits", "rate_per_year", "rate_low", "rate_high",
    "chance_above"], say=town.say, top=10)

# %%
rehit.draw(town, "rate_caterpillar", threshold_per_year=THRESHOLD_PER_YEAR)

# %% [markdown]
# What this log cannot tell:

# %%
rehit.limits_of(town)

# %% [markdown]
# ### Turn the knob
#
# How many places almost surely (nine chances in ten) exceed a threshold?

# %%
above = pd.Series({
    per_year: (rehit.rank_places(town, threshold_per_year=per_year)["places"][
        "chance_above"] > 0.9).sum() for per_year in (1.0, 2.0, 4.0, 8.0, 12.0)})
rehit.shown_table(above.rename_axis("threshold_per_year").rename("n_above").reset_index(),
                  say=town.say, digits=0)

# %%
choice = widgets.SelectionSlider(options=above.index, value=4.0,
                                 description=town.say("notebook.knob_threshold"),
                                 style={"description_width": "initial"})
rehit.turning(lambda threshold: town.say("notebook.above", n=above[threshold], threshold=threshold),
              threshold=choice)

# %% [markdown]
# ## How
#
# Time at risk leaves out the days a marking waited. Rates are gamma-Poisson estimates by asset
# type: few incidents are pulled towards the usual rate of the kind.

# %%
rehit.draw(town, "share_curve")

# %% [markdown]
# Groups of places close together. *Stability* is the share of the group that stays together when
# the log is drawn anew by chance (100 % is all of it):

# %%
rehit.shown_table(ranking["clusters"], [
    "name", "n_incidents", "n_places", "n_rehits", "incidents_per_year", "stability"],
    say=town.say, top=10)

# %% [markdown]
# Where and for how long after a marking are further markings more frequent than chance?

# %%
rehit.draw(town, "near_repeats")

# %% [markdown]
# What comes next: the ten places likeliest to be hit in the next 28 days. One place is mostly hit
# once or not at all in that time; the list is good for deciding where to look first.

# %%
rehit.shown_table(town.forecast[town.forecast["horizon_days"] == 28].nlargest(10, "expected"), [
    "place_id", "expected", "low", "high", "chance_any"], say=town.say, digits=2,
    forms={"low": "whole", "high": "whole"})

# %% [markdown]
# Method: gamma-Poisson rates shrunk by kind of asset (Clayton and Kaldor 1987, Biometrics 43,
# 671–681); near repeats by Knox (1964, Applied Statistics 13, 25–29).
#
# ## Exercise for your own log
#
# Run it on your own log with the threshold that your budget can serve. Which of the ten worst
# places would a list of plain counts have missed, and which would it have named in vain?

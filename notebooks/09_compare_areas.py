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
# # Which areas differ by more than chance?
#
# **Question.** Of several areas, each with a log of its own, which is hit more often or cleared
# later than the others, and which differences may be chance?
#
# *For the analyst. Set the folder that holds a project per area in the next cell and run all cells;
# the answer comes first, the working after it. The demo town is cut into four quarters for this.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
import rehit

town = rehit.open_project(PROJECT)
compared = rehit.compare_areas(town)

# %% [markdown]
# ## The answer

# %%
compared

# %%
rehit.shown_table(compared["areas"], {
    "area": "area", "n_assets": "assets", "n_incidents": "incidents", "n_rehits": "re-hits",
    "n_judged": "judged against the standard", "n_in_time": "cleared in time"}, digits=0)

# %%
rehit.shown_table(compared["rates"], {
    "area": "area", "pooled": "incidents a year and asset", "low": "low", "high": "high",
    "rank_low": "rank from", "rank_high": "to"}, digits=2,
    forms={"rank_low": "{:.0f}", "rank_high": "{:.0f}"})

# %% [markdown]
# ## How
#
# Each area's share of cleared-in-time is drawn against how many could be judged. Between the lines
# lies what chance alone explains; a point outside differs (funnel plot: Spiegelhalter 2005,
# Statistics in Medicine 24, 1185–1202).

# %%
rehit.draw(town, "funnel", compared=compared)

# %% [markdown]
# ## Exercise for your own log
#
# Put a project folder per district under one folder and run `rehit region FOLDER`. Does the
# district that everybody names as the worst lie outside the lines?

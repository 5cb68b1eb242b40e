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
rehit.shown_table(compared["areas"], [
    "area", "n_assets", "n_incidents", "n_rehits", "n_judged", "n_in_time"], say=town.say, digits=0)

# %%
rehit.shown_table(compared["rates"].rename(columns={"pooled": "asset_rate"}), [
    "area", "asset_rate", "low", "high", "rank_low", "rank_high"], say=town.say, digits=2)

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

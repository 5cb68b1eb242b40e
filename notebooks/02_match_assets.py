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
# # Which asset does each incident belong to?
#
# **Question.** How many incidents can be tied to one asset of the register, how sure is that,
# and what happens to the rest?
#
# *For the asset officer. Set the project in the next cell and run all cells; the answer comes
# first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
DOUBT_BELOW = 0.8  # matches less sure than this are worth a look by a person

# %%
import ipywidgets as widgets

import rehit

town = rehit.open_project(PROJECT)
incidents = rehit.match_assets(town)

# %% [markdown]
# ## The answer
#
# Incidents by the kind of place they are tied to.

# %%
matched = incidents[incidents["asset_id"].notna()]
rehit.shown_table(incidents.groupby("place_kind")["match_confidence"].agg(
    n_incidents="size", mean_confidence="mean", least_confidence="min").reset_index(),
    say=town.say, forms={"mean_confidence": "share", "least_confidence": "share"})

# %%
doubtful = (matched["match_confidence"] < DOUBT_BELOW).sum()
rehit.Answer((
    town.say("notebook.matched", n=len(matched), of=len(incidents), doubtful=doubtful,
             below=DOUBT_BELOW), town.say("notebook.places_only")))

# %% [markdown]
# ### Turn the knob
#
# How many matches would a person have to look at, if everything less sure than this were checked?

# %%
slider = widgets.FloatSlider(value=DOUBT_BELOW, min=0.5, max=1.0, step=0.05,
                             description=town.say("notebook.knob_confidence"),
                             style={"description_width": "initial"})
rehit.turning(lambda below: town.say(
    "notebook.to_check", n=(matched["match_confidence"] < below).sum(), of=len(matched)),
    below=slider)

# %% [markdown]
# ## How
#
# The log's own asset number comes first, then place, kind of thing and address together. For each
# asset near by: how likely is what the row says if the marking is on it, against a surface that is
# in no register? The ratios of distance, kind, surface and address multiply (Fellegi and Sunter
# 1969, JASA 64, 1183–1210), and an asset's share of the total is its confidence. The least sure
# matches:

# %%
rehit.shown_table(matched.sort_values("match_confidence"), [
    "incident_id", "address", "asset_id", "match_confidence", "match_evidence"], top=8,
    say=town.say)

# %% [markdown]
# Left without an asset, with the reason (two assets that fit equally well are both named):

# %%
rehit.shown_table(incidents[incidents["asset_id"].isna()], [
    "incident_id", "address", "place_quality", "place_kind", "match_evidence"], say=town.say, top=8)

# %% [markdown]
# ## Exercise for your own log
#
# Set `PROJECT` to your own folder with a register. Take five of the least sure matches to someone
# who knows the streets: how many are right? Set `DOUBT_BELOW` where you would start to look by
# hand.

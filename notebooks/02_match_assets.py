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
kinds = incidents.groupby("place_kind")["match_confidence"].agg(["size", "mean", "min"])
rehit.shown_table(kinds.reset_index(), {
    "place_kind": "kind of place", "size": "incidents", "mean": "mean confidence",
    "min": "least sure"}, digits=2)

# %%
rehit.Answer((
    f"{len(matched):,} of {len(incidents):,} incidents are matched to an asset of the register; "
    f"{(matched['match_confidence'] < DOUBT_BELOW).sum():,} of these matches are less than "
    f"{DOUBT_BELOW:.0%} sure.",
    "Only assets and sites can be said to recur; a site is derived from the log, so a wall never "
    "reported is not known."))

# %% [markdown]
# ### Turn the knob
#
# How many matches would a person have to look at, if everything less sure than this were checked?

# %%
slider = widgets.FloatSlider(value=DOUBT_BELOW, min=0.5, max=1.0, step=0.05,
                             description="less sure than", style={"description_width": "initial"})
rehit.turning(
    lambda below: f"{(matched['match_confidence'] < below).sum():,} of {len(matched):,}",
    below=slider)

# %% [markdown]
# ## How
#
# The log's own asset number comes first, then place, kind of thing and address together. Each match
# carries its confidence and what it rests on. The least sure matches:

# %%
words = {"incident_id": "incident", "address": "address", "asset_id": "asset",
         "match_confidence": "confidence", "match_evidence": "what it rests on"}
rehit.shown_table(matched.sort_values("match_confidence"), words, top=8, digits=2,
                  words={"match_evidence": ""})

# %% [markdown]
# Left without an asset, with the reason (two assets that fit equally well are both named):

# %%
rehit.shown_table(incidents[incidents["asset_id"].isna()], {
    "incident_id": "incident", "address": "address", "place_quality": "quality of the place",
    "place_kind": "kind of place", "match_evidence": "what it rests on"}, top=8,
    words={"match_evidence": ""})

# %% [markdown]
# ## Exercise for your own log
#
# Set `PROJECT` to your own folder with a register. Take five of the least sure matches to someone
# who knows the streets: how many are right? Set `DOUBT_BELOW` where you would start to look by
# hand.

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
# # Which asset does each incident belong to?
#
# **Question.** How many incidents can be tied to one asset of the register, how sure is that,
# and what happens to the rest?
#
# *For the asset officer. Change the cell below and run all cells; the answer comes first, the
# working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
from IPython.display import Markdown, display

from rehit.pipeline.chain import Chain
from rehit.project import load_project

chain = Chain(load_project(PROJECT))
incidents = chain.incidents

# %% [markdown]
# ## The answer

# %%
kinds = incidents["place_kind"].value_counts()
matched = incidents[incidents["asset_id"].notna()]
display(Markdown(
    f"**{len(matched):,}** of {len(incidents):,} incidents are matched to an asset of the "
    f"register; **{kinds.get('site', 0):,}** form sites of their own, "
    f"**{kinds.get('street', 0):,}** are known to the street only and **{kinds.get('none', 0):,}** have no usable place. Only assets and "
    "sites can recur."))

# %% [markdown]
# ## How
#
# The log's own asset number comes first, then place, kind of thing and address together. Each match
# carries its confidence and what it rests on.

# %%
incidents.groupby("place_kind")["match_confidence"].describe()[["count", "mean", "min"]]

# %%
matched.sort_values("match_confidence")[
    ["incident_id", "address", "asset_id", "match_confidence", "match_evidence"]].head(8)

# %% [markdown]
# Left unmatched, with the reason (two assets that fit equally well are both named):

# %%
incidents.loc[incidents["asset_id"].isna(),
              ["incident_id", "address", "place_quality", "place_kind", "match_evidence"]].head(8)

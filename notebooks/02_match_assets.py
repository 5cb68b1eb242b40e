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
# *For the asset officer. Set the project in the next cell and run all cells; the answer comes
# first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
DOUBT_BELOW = 0.8  # matches less sure than this are worth a look by a person

# %%
import ipywidgets as widgets
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.project import load_project
from rehit.report.knobs import turning

chain = Chain(load_project(PROJECT))
incidents = chain.incidents

# %% [markdown]
# ## The answer

# %%
kinds = incidents["place_kind"].value_counts()
matched = incidents[incidents["asset_id"].notna()]
doubtful = matched[matched["match_confidence"] < DOUBT_BELOW]
said = [
    f"<b>{len(matched):,}</b> of {len(incidents):,} incidents are matched to an asset of the "
    f"register; {len(doubtful):,} of these matches are less than {DOUBT_BELOW:.0%} sure."
    if chain.register is not None else
    "This project has no asset register, so no incident can be tied to an asset. Places that were "
    "hit are derived from the log instead (sites); a wall never reported is not known.",
    f"<b>{kinds.get('site', 0):,}</b> incidents lie at sites derived from the log, "
    f"<b>{kinds.get('street', 0):,}</b> are known to the street only and "
    f"<b>{kinds.get('none', 0):,}</b> have no usable place.",
    "Only assets and sites can be said to recur."]
display(HTML("<ul class='say'>" + "".join(f"<li>{line}</li>" for line in said) + "</ul>"))

# %% [markdown]
# ### Turn the knob
#
# How many matches would a person have to look at, if everything less sure than this were checked?

# %%
slider = widgets.FloatSlider(value=DOUBT_BELOW, min=0.5, max=1.0, step=0.05,
                             description="less sure than", style={"description_width": "initial"})
turning(lambda below: f"<p>{(matched['match_confidence'] < below).sum():,} of {len(matched):,}</p>"
        if len(matched) else "<p>None: no incident of this log is matched to an asset.</p>",
        below=slider)

# %% [markdown]
# ## How
#
# The log's own asset number comes first, then place, kind of thing and address together. Each match
# carries its confidence and what it rests on.

# %%
(incidents.groupby("place_kind")["match_confidence"].agg(["size", "mean", "min"]).round(2)
 .rename(columns={"size": "incidents", "mean": "mean confidence", "min": "least sure"})
 .rename_axis("kind of place"))

# %% [markdown]
# The least sure matches:

# %%
words = {"incident_id": "incident", "asset_id": "asset", "match_confidence": "confidence",
         "match_evidence": "what it rests on", "place_quality": "quality of the place",
         "place_kind": "kind of place"}
worst = matched.sort_values("match_confidence").head(8)
if worst.empty:
    print("None: no incident of this log is matched to an asset.")
else:
    shown = ["incident_id", "address", "asset_id", "match_confidence", "match_evidence"]
    display(worst[shown].rename(columns=words).style.hide().format(
        precision=2, escape="html", na_rep="not known"))

# %% [markdown]
# Left without an asset, with the reason (two assets that fit equally well are both named):

# %%
rest = incidents[incidents["asset_id"].isna()].head(8)
rest[["incident_id", "address", "place_quality", "place_kind", "match_evidence"]].rename(
    columns=words).style.hide().format(escape="html", na_rep="not known")

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
from html import escape

import ipywidgets as widgets
import matplotlib.pyplot as plt
import pandas as pd
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.hotspots.rates import chance_above
from rehit.outputs.hotspots import hotspot_sentences, recurrence_sentences
from rehit.outputs.report import ring_table as rings_for_report
from rehit.project import load_project
from rehit.report.figures import house_style, rate_caterpillar, ring_table, share_curve
from rehit.report.knobs import turning
from rehit.report.say import Say

chain = Chain(load_project(PROJECT)).with_parameters(
    {"hotspots.threshold_per_year": THRESHOLD_PER_YEAR}, where="this notebook")
say, repeats = Say("en"), chain.repeats
hit = repeats[repeats["n_incidents"] > 0]

# %% [markdown]
# ## The answer

# %%
display(HTML("<ul class='say'>" + "".join(
    f"<li>{escape(said)}</li>" for said in hotspot_sentences(chain)) + "</ul>"))

# %% [markdown]
# The ten worst places. A rate is what to expect of the place, not just what was counted; the truth
# lies between *low* and *high* nine times in ten.

# %%
columns = {"place_id": "place", "asset_type": "kind", "n_incidents": "incidents",
           "n_rehits": "re-hits", "rate_per_year": "a year", "rate_low": "low",
           "rate_high": "high", "chance_above": f"chance of over {THRESHOLD_PER_YEAR:g} a year"}
worst = hit.head(10)[list(columns)].dropna(axis="columns", how="all").rename(columns=columns)
worst.style.hide().format(precision=1, escape="html").format(
    "{:.0%}", subset=[columns["chance_above"]])

# %%
if len(hit):
    with house_style():
        figure, ax = plt.subplots(figsize=(8, 6), layout="constrained")
        text = rate_caterpillar(repeats, ax=ax, say=say, threshold_per_year=THRESHOLD_PER_YEAR)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %% [markdown]
# What this log cannot tell:

# %%
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(said)}</li>" for said in (
    chain.limits or ("Nothing stands in the way of the usual conclusions.",))) + "</ul>"))

# %% [markdown]
# ### Turn the knob
#
# How many places almost surely (nine chances in ten) exceed a threshold?

# %%
shape = repeats["gamma_shape"].to_numpy(), repeats["gamma_rate_years"].to_numpy()
pd.DataFrame(
    [(chance_above(*shape, threshold_per_year=float(per_year)) > 0.9).sum()
     for per_year in (0.5, 1, 2, 4, 6, 8, 12)],
    index=pd.Index(["0.5", "1", "2", "4", "6", "8", "12"], name="incidents a year"),
    columns=["places almost surely above"])

# %%
slider = widgets.FloatSlider(value=THRESHOLD_PER_YEAR, min=0.5, max=15, step=0.5,
                             description="threshold a year",
                             style={"description_width": "initial"})
turning(lambda threshold: (
    f"<p>{(chance_above(*shape, threshold_per_year=threshold) > 0.9).sum():,} places almost surely "
    f"above {threshold:g} incidents a year</p>"), threshold=slider)

# %% [markdown]
# ## How
#
# Time at risk leaves out the days a marking waited. Rates are gamma-Poisson estimates by asset
# type: few incidents are pulled towards the usual rate of the kind.

# %%
if len(hit):
    with house_style():
        figure, ax = plt.subplots(figsize=(7, 4), layout="constrained")
        text = share_curve(repeats, ax=ax, say=say)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %% [markdown]
# Groups of places close together. *Stability* is the share of the group that stays together when
# the log is drawn anew by chance (1 is all of it):

# %%
groups = {"name": "near", "n_incidents": "incidents", "n_places": "places",
          "n_rehits": "re-hits", "incidents_per_year": "incidents a year", "stability": "stability"}
pd.DataFrame(chain.clusters.drop(columns="geometry")).head(10)[list(groups)].rename(
    columns=groups).style.hide().format(precision=1, escape="html")

# %% [markdown]
# Where and for how long after a marking are further markings more frequent than chance?

# %%
rings = rings_for_report(chain)
if len(rings):
    with house_style():
        figure, ax = plt.subplots(figsize=(7, 4), layout="constrained")
        text = ring_table(rings, ax=ax, say=say)
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)
else:
    print("No two incidents of this log have a known distance, so near repeats cannot be told.")

# %% [markdown]
# How soon are cleared places marked again, and does waiting matter?

# %%
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(said)}</li>" for said in (
    recurrence_sentences(chain) or (
        "No cleared place can be followed in this log, so this cannot be told.",))) + "</ul>"))

# %% [markdown]
# What comes next: the ten places likeliest to be hit in the next 28 days. One place is mostly hit
# once or not at all in that time; the list is good for deciding where to look first.

# %%
ahead = {"place_id": "place", "expected": "expected incidents", "low": "at least",
         "high": "at most", "chance_any": "chance of any"}
chain.forecast[chain.forecast["horizon_days"] == 28].nlargest(10, "expected")[list(ahead)].rename(
    columns=ahead).style.hide().format(precision=2, escape="html").format(
    "{:.0f}", subset=["at least", "at most"]).format("{:.0%}", subset=["chance of any"])

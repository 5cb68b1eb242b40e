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
# *For the asset officer. Change the cell below and run all cells; the answer comes first, the
# working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
THRESHOLD_PER_YEAR = 4.0  # a place above this many incidents a year counts as recurring

# %%
import ipywidgets as widgets
import matplotlib.pyplot as plt
import pandas as pd
from IPython.display import Markdown, display

from rehit.hotspots.ranks import chance_above
from rehit.pipeline.chain import Chain
from rehit.pipeline.finding import hotspot_sentences, recurrence_sentences
from rehit.pipeline.report_input import ring_table as rings_for_report
from rehit.project import load_project
from rehit.reporting.figures import house_style, rate_caterpillar, ring_table, share_curve
from rehit.reporting.words import Words

chain = Chain(load_project(PROJECT))
chain.set_parameter("hotspots.threshold_per_year", THRESHOLD_PER_YEAR, where="this notebook")
words = Words("en")

# %% [markdown]
# ## The answer

# %%
display(Markdown("\n".join(f"- {sentence}" for sentence in hotspot_sentences(chain))))

# %%
chain.repeats.head(10)[["place_id", "asset_type", "n_incidents", "n_rehits", "rate_per_year",
                        "rate_low", "rate_high", "chance_above", "chance_top20"]].round(2)

# %%
with house_style():
    figure, ax = plt.subplots(figsize=(8, 6), layout="constrained")
    rate_caterpillar(chain.repeats, ax=ax, words=words, threshold_per_year=THRESHOLD_PER_YEAR)
    plt.show()

# %% [markdown]
# ### Turn the knob
#
# How many places almost surely (nine chances in ten) exceed a threshold of your choice:

# %%
slider = widgets.FloatSlider(value=THRESHOLD_PER_YEAR, min=0.5, max=15, step=0.5,
                             description="a year above")
answer = widgets.interactive_output(
    lambda threshold: display(Markdown("**{:,} places**".format(int((chance_above(
        chain.repeats["gamma_shape"].to_numpy(), chain.repeats["gamma_rate_years"].to_numpy(),
        threshold=threshold) > 0.9).sum())))),
    {"threshold": slider})
display(slider, answer)

# %% [markdown]
# ## How
#
# Time at risk leaves out the days a marking waited. Rates are gamma-Poisson estimates by asset type:
# few incidents are pulled towards the usual rate of the kind.

# %%
with house_style():
    figure, ax = plt.subplots(figsize=(7, 4), layout="constrained")
    share_curve(chain.repeats, ax=ax, words=words)
    plt.show()

# %%
pd.DataFrame(chain.clusters.drop(columns="geometry")).head(10)[
    ["name", "n_incidents", "n_places", "n_rehits", "incidents_per_year", "stability"]].round(2)

# %% [markdown]
# Where and for how long after a marking are further markings more frequent than chance?

# %%
rings = rings_for_report(chain)
if len(rings):
    with house_style():
        figure, ax = plt.subplots(figsize=(7, 4), layout="constrained")
        ring_table(rings, ax=ax, words=words)
        plt.show()

# %%
display(Markdown("\n".join(f"- {sentence}" for sentence in recurrence_sentences(chain))))

# %% [markdown]
# Expected incidents in the next weeks at the ten likeliest places:

# %%
chain.forecast[chain.forecast["horizon_days"] == 28].nlargest(10, "expected").round(2)

# %% [markdown]
# What this log cannot tell:

# %%
display(Markdown("\n".join(f"- {sentence}" for sentence in chain.limits) or "Nothing."))

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
# # What to do to each wall?
#
# **Question.** Which method suits each incident, why, with what time and materials, and what
# must be watched?
#
# *For the crew leader. Set the project in the next cell and run all cells; the answer comes first,
# the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT)
chosen = rehit.choose_methods(town)
advice = chosen["advice"]

# %% [markdown]
# ## The answer

# %%
mix = advice["method"].value_counts().rename("incidents").reset_index()
rehit.shown_table(mix.assign(share=mix["incidents"] / len(advice)), {
    "method": "method", "incidents": "incidents", "share": "share"}, forms={"share": "{:.0%}"},
    words={"method": "method"})

# %%
rehit.draw(town, "method_mix")

# %% [markdown]
# One incident of each method, explained. **Cautions never replace the safety data sheet, local
# codes and licensed practice.**

# %%
chosen

# %% [markdown]
# ## How
#
# The first row of the decision table that fits decides; you may edit the table. Are the shares
# plausible? The band describes ordinary towns and is no target.

# %%
if "shares" in chosen.tables:
    display(rehit.shown_table(chosen["shares"], {
        "jobs": "jobs", "code": "method", "share": "share", "low": "from", "high": "to",
        "inside": "inside the band"}, forms=dict.fromkeys(("share", "low", "high"), "{:.0%}"),
        words={"code": "share"}))
else:
    print("Every job waits for an inspection, so there are no shares to judge.")

# %% [markdown]
# What the works log teaches about time, litres and cost (pulled towards the defaults where jobs are
# few), and what was advised against what was done:

# %%
for name in ("learned", "done"):
    if name in chosen.tables:
        display(rehit.shown_table(chosen[name], digits=2, top=20))
    else:
        print("This project has no works log that could tell.")

# %% [markdown]
# ## Exercise for your own log
#
# Name your works log as `works` in `rehit.toml`. Which method takes longer than the defaults say,
# and is that the wall, the crew or the log?

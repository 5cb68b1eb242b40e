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
mix = advice["method"].value_counts().rename("n_incidents").reset_index()
rehit.shown_table(mix.assign(share=mix["n_incidents"] / len(advice)), say=town.say,
                  forms={"share": "share"})

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
    display(rehit.shown_table(chosen["shares"], ["jobs", "code", "share", "low", "high", "inside"],
                              say=town.say, forms=dict.fromkeys(("share", "low", "high"), "share"),
                              words={"code": "share"}))
else:
    print(town.say("notebook.no_shares"))

# %% [markdown]
# What the works log teaches about time, litres and cost, and what was advised against what was
# done. A method's figure is the crew's own least-squares figure and the default, weighted by how
# precisely each is known: where jobs are few the default stands, where they are many the crew
# decides (Lindley and Smith 1972, JRSS B 34, 1–41):

# %%
if "learned" in chosen.tables:
    display(
        rehit.shown_table(chosen["learned"], say=town.say, digits=2, top=20,
                          words={"quantity": "quantity"}, forms={"weight_of_default": "share1"}),
        rehit.shown_table(chosen["done"], say=town.say, forms={"share": "share1"}))
else:
    print(town.say("notebook.no_works"))

# %% [markdown]
# ## Exercise for your own log
#
# Name your works log as `works` in `rehit.toml`. Which method takes longer than the defaults say,
# and is that the wall, the crew or the log?

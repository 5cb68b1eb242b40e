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
from html import escape

import matplotlib.pyplot as plt
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.project import load_project
from rehit.report.figures import house_style, method_mix
from rehit.report.say import Say
from rehit.treatment.choose import compare_done, explained, method_shares

chain = Chain(load_project(PROJECT))
say = Say(chain.project.language, chain.project.currency)
advice = chain.advice

# %% [markdown]
# ## The answer

# %%
counts = advice["method"].value_counts()
unknown = float((chain.incidents["substrate"] == "unknown").mean())
said = [f"{name.replace('_', ' ')}: {count:,} incidents ({count / len(advice):.0%})"
        for name, count in counts.items()]
if unknown > 0.5:
    said.append(f"The log does not name the surface of {unknown:.0%} of incidents: there the "
                "method can only be chosen on the spot, and what follows is a first guess.")
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(line)}</li>" for line in said) + "</ul>"))

# %%
if len(advice):
    with house_style():
        figure, ax = plt.subplots(figsize=(7, 4), layout="constrained")
        text = method_mix(advice["method"], ax=ax, say=Say("en"))
        display(figure, metadata={"image/png": {"alt": text.alt}})
        plt.close(figure)

# %% [markdown]
# One incident of each method, explained. **Cautions never replace the safety data sheet, local
# codes and licensed practice.**

# %%
for _, row in advice.drop_duplicates("method").iterrows():
    print(*say.all(explained(row)), sep="\n", end="\n\n")

# %% [markdown]
# ## How
#
# The first row of the decision table that fits decides; you may edit the table. Are the shares
# plausible? The band describes ordinary towns and is no target.

# %%
if advice["method"].isin(["inspect"]).all():
    print("Every job waits for an inspection, so there are no shares to judge.")
else:
    shares = method_shares(advice["method"])
    display(shares.assign(code=say.cells(shares["code"], "share"),
                          inside=shares["inside"].map({True: "yes", False: "no"})).rename(
        columns={"code": "jobs", "inside": "inside the band"}).style.hide().format(
        "{:.0%}", subset=["share", "usual", "low", "high"]))

# %% [markdown]
# What the works log teaches about time, litres and cost (pulled towards the defaults where jobs are
# few), and what was advised against what was done:

# %%
if chain.calibration is None:
    print("This project has no works log: minutes, litres and costs rest on the default numbers.")
else:
    display(chain.calibration.estimates.style.hide().format(precision=2, escape="html"))
    display(compare_done(advice, chain.works, incidents=chain.incidents).head(10).round(2))

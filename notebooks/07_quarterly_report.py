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
# # This quarter's report
#
# **Question.** What happened this quarter, is it more than chance, and where does each figure
# come from?
#
# *For the analyst. Set project and quarter in the next cell and run all cells; the answer comes
# first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
QUARTER = None  # such as "2025Q3"; None takes the last whole quarter of the log
OUT = "../reports/build"
FIGURE = "V1"  # a figure of the report to explain

# %%
import rehit

town = rehit.open_project(PROJECT)

# %% [markdown]
# ## The answer

# %%
written = rehit.write_report(town, OUT, period=QUARTER)
written

# %% [markdown]
# ## The files
#
# Open `report.html` first; `map.html` lies beside it.

# %%
rehit.shown_table(written["files"], say=town.say, digits=0)

# %% [markdown]
# ## How: where a figure comes from
#
# Each figure of the report carries a code such as V1. Its formula, filter and first log rows, and
# the line of pandas that works it out again from the files written beside the report: a result that
# cannot be traced to its data cannot be checked (Sandve and others 2013, PLOS Computational Biology
# 9, e1003285, rules 1 and 9). Shares carry their 95 % score interval (Wilson 1927, JASA 22,
# 209–212), counts theirs (Garwood 1936, Biometrika 28, 437–442).

# %%
print("\n".join(rehit.explain_figure(OUT, FIGURE).splitlines()[:20]))

# %% [markdown]
# ## Exercise for your own log
#
# Write the report of your own quarter, pick the figure that your committee will doubt, put its
# code in `FIGURE`, and follow it to three rows of the log.

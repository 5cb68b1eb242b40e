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
# # Can this log be trusted?
#
# **Question.** What became of every row of the log, and what should its owner put right at the
# source?
#
# *For the analyst. Set the project in the next cell and run all cells; the answer comes first, the
# working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
import pandas as pd

import rehit

town = rehit.open_project(PROJECT)
cleaned = rehit.clean(town)

# %% [markdown]
# ## The answer
#
# Rows of the log, file by file. The last four columns add up to the first: nothing is lost.

# %%
counts = cleaned.counts
ends = counts[["rows_kept", "rows_joined", "rows_set_aside", "rows_other_service"]].sum(
    axis="columns")
assert (counts["rows_in"] == ends).all()
rehit.shown_table(counts, say=town.say)

# %% [markdown]
# What its owner should put right at the source:

# %%
faults = cleaned.findings[cleaned.findings["count"] > 0]
rehit.shown_table(faults, ["severity", "count", "effect", "advice"], say=town.say)

# %% [markdown]
# What cannot be concluded from this log, whatever is done with it:

# %%
rehit.limits_of(town)

# %% [markdown]
# ## How
#
# The mapping says which column of the log holds what; a person can read and edit it in
# `mapping.toml`.

# %%
rehit.shown_table(pd.DataFrame({
    "field": list(town.mapping.fields),
    "columns": [" + ".join(each.columns) for each in town.mapping.fields.values()]}), say=town.say)

# %% [markdown]
# Rows set aside, by reason:

# %%
rehit.shown_table(cleaned.set_aside["reason"].value_counts().rename("n").reset_index(),
                  say=town.say, words={"reason": "set_aside"})

# %% [markdown]
# Every change to a value is in the ledger. The ten commonest rules, and one entry of each:

# %%
rehit.shown_table(cleaned.ledger["rule"].value_counts().rename("n").reset_index(),
                  say=town.say, top=10)

# %%
rehit.shown_table(cleaned.ledger.dropna(subset=["before", "after"]).drop_duplicates("rule"),
                  say=town.say, top=10)

# %% [markdown]
# Method: several reports of one marking are joined while it waits for clearance, because a second
# caller is no second marking (common practice, no published source; notebook 03 shows what it
# changes). That every row is accounted for and nothing is changed without a line in the ledger
# follows the rules of reproducible work (Sandve, Nekrutenko, Taylor and Hovig 2013, PLOS
# Computational Biology 9, e1003285).
#
# ## Exercise for your own log
#
# Name your own log in `rehit new my_town --log FILE`, set `PROJECT` above to that folder and run
# all cells. Which reason sets most rows aside, and which single fault would its owner mend first?
# Then correct one line of `mapping.toml` and see which counts move.

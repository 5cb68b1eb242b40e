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
# # Can this log be trusted?
#
# **Question.** What became of every row of the log, and what should its owner put right at the
# source?
#
# *For the analyst. Change the cell below and run all cells; the answer comes first, the working
# after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
import pandas as pd
from IPython.display import Markdown, display

from rehit.pipeline.chain import Chain
from rehit.project import load_project

chain = Chain(load_project(PROJECT))
cleaned = chain.cleaned

# %% [markdown]
# ## The answer

# %%
totals = cleaned.counts[["rows_in", "rows_kept", "rows_joined", "rows_set_aside"]].sum()
display(Markdown(
    f"Of **{totals['rows_in']:,}** rows, **{totals['rows_kept']:,}** are incidents of their own, "
    f"**{totals['rows_joined']:,}** repeat a report that was still waiting, and "
    f"**{totals['rows_set_aside']:,}** cannot be used. The sum is checked: nothing is lost."))
assert totals["rows_in"] == totals[["rows_kept", "rows_joined", "rows_set_aside"]].sum()

# %%
cleaned.findings[["severity", "count", "effect", "advice"]]

# %% [markdown]
# ## How
#
# The mapping says which column of the log holds what; a person can read and edit it.

# %%
pd.Series({name: " + ".join(source.columns) for name, source in chain.mapping.fields.items()},
          name="column of the log").to_frame()

# %% [markdown]
# Rows set aside, by reason:

# %%
cleaned.set_aside.groupby("reason_words").size().rename("rows").sort_values(ascending=False).to_frame()

# %% [markdown]
# Every change to a value is in the ledger. The ten commonest rules, and a few entries:

# %%
cleaned.ledger.groupby("rule").size().sort_values(ascending=False).head(10).rename("entries").to_frame()

# %%
cleaned.ledger.dropna(subset=["before", "after"]).drop_duplicates("rule").head(10)

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
# *For the analyst. Set the project in the next cell and run all cells; the answer comes first, the
# working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml

# %%
from html import escape

import pandas as pd
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.project import load_project

chain = Chain(load_project(PROJECT))
cleaned = chain.cleaned

# %% [markdown]
# ## The answer

# %%
totals = cleaned.counts[["rows_in", "rows_kept", "rows_joined", "rows_set_aside"]].sum()
assert totals["rows_in"] == totals[["rows_kept", "rows_joined", "rows_set_aside"]].sum()
display(HTML(
    f"<ul class='say'><li>Of <b>{totals['rows_in']:,}</b> rows of the log of "
    f"{escape(chain.project.name)}, <b>{totals['rows_kept']:,}</b> are incidents of their own, "
    f"<b>{totals['rows_joined']:,}</b> repeat a report that was still waiting, and "
    f"<b>{totals['rows_set_aside']:,}</b> cannot be used.</li>"
    "<li>The three add up to the rows of the log: nothing is lost.</li></ul>"))

# %% [markdown]
# What its owner should put right at the source:

# %%
faults = cleaned.findings[cleaned.findings["count"] > 0]
faults[["severity", "count", "effect", "advice"]].rename(columns={
    "severity": "how bad", "count": "rows", "effect": "what it does to the results",
    "advice": "what to do"}).style.hide().format({"rows": "{:,}"}, escape="html")

# %% [markdown]
# What cannot be concluded from this log, whatever is done with it:

# %%
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(said)}</li>" for said in (
    chain.limits or ("Nothing stands in the way of the usual conclusions.",))) + "</ul>"))

# %% [markdown]
# ## How
#
# The mapping says which column of the log holds what; a person can read and edit it in
# `mapping.toml`.

# %%
pd.Series({name: " + ".join(source.columns) for name, source in chain.mapping.fields.items()},
          name="column of the log").rename_axis("what it holds").to_frame()

# %% [markdown]
# Rows set aside, by reason:

# %%
(cleaned.set_aside.groupby("reason_words").size().sort_values(ascending=False)
 .rename("rows").rename_axis("reason").to_frame())

# %% [markdown]
# Every change to a value is in the ledger. The ten commonest rules, and one entry of each:

# %%
(cleaned.ledger.groupby("rule").size().sort_values(ascending=False).head(10)
 .rename("entries").to_frame())

# %%
(cleaned.ledger.dropna(subset=["before", "after"]).drop_duplicates("rule").head(10)
 .style.hide().format(escape="html"))

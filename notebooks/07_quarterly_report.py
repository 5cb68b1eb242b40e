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
from html import escape
from pathlib import Path

import pandas as pd
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.files.writing import staged_folder
from rehit.outputs.report import write_quarter
from rehit.project import load_project
from rehit.report.trace import explain

chain = Chain(load_project(PROJECT))

# %% [markdown]
# ## The answer

# %%
out = Path(OUT)
with staged_folder(out) as stage:
    summary = write_quarter(chain, stage, quarter=QUARTER)
display(HTML("<ul class='say'>" + "".join(
    f"<li>{escape(line)}</li>" for line in summary["sentences"] if line) + "</ul>"))

# %% [markdown]
# ## The files
#
# Open `report.html` first; `map.html` lies beside it.

# %%
pd.DataFrame([(path.name, f"{path.stat().st_size / 1000:,.0f}") for path in sorted(out.rglob("*"))
              if path.is_file()], columns=["file", "kB"]).style.hide()

# %% [markdown]
# ## How: where a figure comes from
#
# Each figure of the report carries a code such as V1. Its formula, filter and first log rows:

# %%
print("\n".join(explain(FIGURE, out).splitlines()[:20]))

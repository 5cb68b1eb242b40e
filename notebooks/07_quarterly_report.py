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
# *For the analyst. Change the cell below and run all cells; the answer comes first, the working
# after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
QUARTER = None  # such as "2025Q3"; None takes the last whole quarter of the log
OUT = "../reports/build"
FIGURE = "V1"  # a figure of the report to explain

# %%
from pathlib import Path

from IPython.display import Markdown, display

from rehit.files import staged_folder
from rehit.pipeline.chain import Chain
from rehit.pipeline.reports import write_quarter
from rehit.project import load_project
from rehit.reporting.trace import explain

chain = Chain(load_project(PROJECT))


# %% [markdown]
# ## The answer

# %%
out = Path(OUT)
with staged_folder(out) as stage:
    summary = write_quarter(chain, stage, quarter=QUARTER)
display(Markdown("\n".join(f"- {sentence}" for sentence in summary["sentences"])))

# %% [markdown]
# ## The files

# %%
for path in sorted(out.rglob("*")):
    if path.is_file():
        print(f"{path.name:35} {path.stat().st_size / 1000:10,.0f} kB")

# %% [markdown]
# ## How: where a figure comes from

# %%
print("\n".join(explain(FIGURE, out).splitlines()[:20]))

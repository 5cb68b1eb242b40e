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
# # From a raw export to a map in ten lines
#
# **Question.** I have an export of reports, and nothing else. What keeps being hit, and where?
#
# *For the analyst in a hurry. Name the file in the next cell and run all cells. Ten lines of code
# in all, settings and imports counted.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # a folder; or leave it and name your own export below
EXPORT = "incidents.csv"
CRS = "EPSG:32625"  # metres, for your part of the world

# %%
import pandas as pd

import rehit

raw = pd.read_csv(f"{PROJECT}/{EXPORT}", dtype="str")
town = rehit.open_project(log=raw, crs=CRS)

# %% [markdown]
# ## The answer

# %%
rehit.rank_places(town)

# %%
rehit.draw(town, "map")

# %% [markdown]
# ## How
#
# Each place's rate is pulled towards that of its kind, the more the less it was watched (Clayton
# and Kaldor 1987, Biometrics 43, 671–681), so that a place watched for a month does not lead the
# list by chance; the outlines gather places that stand close together (Ester and others 1996,
# KDD-96, 226–231). The columns were read by their names and values, and by nobody. Look at how
# before you trust it:
# a project folder (`rehit new`) keeps the reading in a file that a person can check.

# %%
rehit.limits_of(town)

# %% [markdown]
# ## Exercise for your own log
#
# Replace `EXPORT` by your own file. Which limits does it name, and which of them could the owner of
# the log put right?

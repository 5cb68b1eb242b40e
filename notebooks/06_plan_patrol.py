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
# # Where to go today, and how often?
#
# **Question.** Which crew goes where today and in which order, what was left out, and how often
# should each place be visited?
#
# *For the crew leader. Set project, day and crews in the next cell and run all cells; the answer
# comes first, the working after it.*

# %% tags=["parameters"]
PROJECT = "../data_demo"  # the folder that holds your rehit.toml
DAY = None  # such as "2025-03-14"; None takes the first working day after the log ends
CREWS = None  # how many of the project's crews go out; None takes all
HOURS_PER_WEEK = 20.0  # crew hours a week for planned visits, where the project names no crews

# %%
import ipywidgets as widgets
import pandas as pd
from IPython.display import display

import rehit

town = rehit.open_project(PROJECT)
day = rehit.plan_patrol(town, day=DAY, crews=CREWS, hours_per_week=HOURS_PER_WEEK)

# %% [markdown]
# ## The answer

# %%
day

# %% [markdown]
# ### The routes of the day

# %%
if "stops" in day.tables:
    display(rehit.draw(town, "day_routes", planned=day))

# %% [markdown]
# Each crew's stops in order. The full run sheets, with materials and **all
# cautions**, are written by `rehit patrol`; cautions never replace the safety data sheet, local
# codes and licensed practice.

# %%
if "stops" in day.tables:
    stops = day["stops"][day["stops"]["kind"].isin(["reported", "hotspot"])]
    display(rehit.shown_table(stops.assign(
        crew=stops["crew_id"].map(day["crews"].set_index("crew_id")["name"]),
        stop_kind=stops["kind"],
        arrive=pd.Timestamp(0) + pd.to_timedelta(stops["arrive_min"], unit="min"),
        leave=pd.Timestamp(0) + pd.to_timedelta(stops["leave_min"], unit="min")),
        ["crew", "name", "stop_kind", "arrive", "leave"], say=town.say,
        forms={"arrive": "clock", "leave": "clock"}, words={"stop_kind": "stop_kind"}))

# %% [markdown]
# ### What was left out

# %%
if "stops" in day.tables:
    display(rehit.shown_table(day["left_out"].rename(columns={"kind": "stop_kind"}), [
        "name", "stop_kind", "reason"], say=town.say, top=30, words={"stop_kind": "stop_kind"}))

# %% [markdown]
# ### How often to visit
#
# The places that deserve the most visits:

# %%
rehit.shown_table(day["intervals"].nsmallest(15, "interval_days"), [
    "place_id", "rate_per_year", "interval_days", "visits_per_week"], say=town.say)

# %% [markdown]
# ### Turn the knob
#
# More or less crew time for planned visits:

# %%
hours = day["hours"]
choice = widgets.SelectionSlider(
    options=[(f"{row.hours_per_week:.0f}", at) for at, row in enumerate(hours.itertuples())],
    value=2, description=town.say("notebook.knob_hours"), style={"description_width": "initial"})
rehit.turning(lambda at: rehit.shown_table(hours.iloc[[at]], say=town.say), at=choice)

# %% [markdown]
# ## How
#
# Reported jobs weigh more than every hotspot, offensive ones most; a hotspot counts by its chance
# of being found marked. Drives follow the project's streets where it has them, straight lines with
# a detour where not. Every plan is checked again by code that knows nothing of the search.
#
# A marking stands half an interval on average, so visits are spread to leave the fewest
# marking-days: the interval grows with the square root of the visit's time over the place's rate.

# %% [markdown]
# Method: visits spread by a square-root rule, as for inspections (Barlow, Hunter and Proschan
# 1963, SIAM Journal 11, 1078–1095); routes by search, checked by code of its own.
#
# ## Exercise for your own log
#
# Plan a day of your own patch with one crew fewer. What is left out, and would you have left out
# the same?

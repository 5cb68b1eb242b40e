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
import matplotlib.pyplot as plt
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
    figure, ax = plt.subplots(figsize=(8, 5), layout="constrained")
    if town.streets is not None:
        town.streets.plot(ax=ax, color="#c3c9cd", linewidth=0.8, zorder=1)
    looks = [("-", "#0b6b67"), ("--", "#8f5200"), ("-.", "#6b3a78"), (":", "#1c2b36")]
    for (line, ink), (_, route) in zip(looks * len(day["routes"]), day["routes"].iterrows(),
                                       strict=False):
        for part in getattr(route.geometry, "geoms", [route.geometry]):
            ax.plot(*part.xy, linestyle=line, color=ink, linewidth=1.8, zorder=2)
        ax.plot([], [], linestyle=line, color=ink, label=str(route["route_id"]))
    for kind, marker, face in (("reported", "s", "#9c2f1f"), ("hotspot", "o", "white")):
        spots = day["stops"][day["stops"]["kind"] == kind].geometry
        ax.scatter(spots.x, spots.y, marker=marker, s=26, facecolor=face, edgecolor="#1c2b36",
                   zorder=3, label=f"{kind} ({len(spots)})")
    low_x, low_y, high_x, high_y = day["stops"].total_bounds
    ax.set(xlim=(low_x - 200, high_x + 200), ylim=(low_y - 200, high_y + 350), aspect="equal")
    ax.plot([low_x, low_x + 500], [low_y - 150] * 2, color="#1c2b36", linewidth=3)
    ax.annotate("500 m", (low_x + 520, low_y - 150), va="center", fontsize=8)
    ax.set_axis_off()
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, 0), ncols=3, frameon=False, fontsize=8)
    display(figure, metadata={"image/png": {"alt": (
        f"Map of the {len(day['routes'])} routes of the day; the stops follow as a table.")}})
    plt.close(figure)

# %% [markdown]
# Each crew's stops in order, in hours since midnight. The full run sheets, with materials and **all
# cautions**, are written by `rehit patrol`; cautions never replace the safety data sheet, local
# codes and licensed practice.

# %%
if "stops" in day.tables:
    stops = day["stops"].merge(day["crews"][["crew_id", "name"]].rename(columns={"name": "crew"}),
                               on="crew_id", how="left")
    display(rehit.shown_table(stops[stops["kind"].isin(["reported", "hotspot"])].assign(
        arrive=stops["arrive_min"] / 60, leave=stops["leave_min"] / 60), {
            "crew": "crew", "name": "where", "kind": "why", "offensive": "offensive",
            "arrive": "arrive", "leave": "leave", "method": "method"}, digits=2))

# %% [markdown]
# ### What was left out

# %%
if "stops" in day.tables:
    display(rehit.shown_table(day["left_out"], {
        "name": "where", "kind": "kind", "reason": "reason"}, top=30))

# %% [markdown]
# ### How often to visit
#
# The places that deserve the most visits:

# %%
rehit.shown_table(day["intervals"].nsmallest(15, "interval_days"), {
    "place_id": "place", "rate_per_year": "markings a year", "interval_days": "every … days",
    "visits_per_week": "visits a week"})

# %% [markdown]
# ### Turn the knob
#
# More or less crew time for planned visits:

# %%
hours = day["hours"]
choice = widgets.SelectionSlider(
    options=[(f"{row.hours_per_week:.0f}", at) for at, row in enumerate(hours.itertuples())],
    value=2, description="crew hours a week", style={"description_width": "initial"})
rehit.turning(lambda at: rehit.shown_table(hours.iloc[[at]], {
    "hours_per_week": "crew hours a week",
    "marking_days_per_week": "days a week that markings stand, all places together",
    "short_by_h": "crew hours missing to keep the longest intervals allowed"}), at=choice)

# %% [markdown]
# ## How
#
# Reported jobs weigh more than every hotspot, offensive ones most; a hotspot counts by its chance
# of being found marked. Drives follow the project's streets where it has them, straight lines with
# a detour where not. Every plan is checked again by code that knows nothing of the search.
#
# A marking stands half an interval on average, so visits are spread to leave the fewest
# marking-days: the interval grows with the square root of the visit's time over the place's rate.

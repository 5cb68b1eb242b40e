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
from datetime import date
from html import escape
from operator import attrgetter

import ipywidgets as widgets
import matplotlib.pyplot as plt
import pandas as pd
import shapely
from IPython.display import HTML, display

from rehit.chain import Chain
from rehit.outputs.patrol import (
    day_stops,
    day_to_plan,
    fleet,
    plan_faults,
    street_network,
    summary,
    visit_plan,
)
from rehit.patrol.day import clock, crew_sheets
from rehit.patrol.looks import visit_intervals
from rehit.patrol.routes import plan_routes
from rehit.project import load_project
from rehit.report.figures import house_style
from rehit.report.knobs import turning

chain = Chain(load_project(PROJECT))
numbers = chain.parameters
missing = [role for role in ("depots", "vehicles") if chain.project.path(role) is None]
day, idle = day_to_plan(chain, date.fromisoformat(DAY) if DAY else None)

# %% [markdown]
# ## The answer

# %%
if missing:
    # Without crews no route can be planned; how often to visit still can be, from assumed times.
    places = chain.repeats.nlargest(500, "rate_per_year")
    minutes = numbers["patrol.look_minutes"] + 2 * numbers["patrol.setup_minutes"]
    frequency = visit_intervals(
        pd.DataFrame({"place_id": places["place_id"], "visit_h": minutes / 60,
                      "rate_per_year": places["rate_per_year"].astype(float)}),
        hours_per_week=HOURS_PER_WEEK, parameters=numbers)
    said = [f"No route can be planned: this project names no {' and no '.join(missing)} file. Add "
            "them to rehit.toml (the demo town shows how they look).",
            f"How often to visit can be told for the {len(places):,} places hit most, with "
            f"{HOURS_PER_WEEK:g} crew hours a week and {minutes:g} minutes a visit assumed."]
else:
    team, notes = fleet(chain, CREWS)
    network = street_network(chain)
    stops, handed = day_stops(chain, day, crews=len(team))
    plan = plan_routes(stops, team, network=network, parameters=numbers, seed=chain.project.seed)
    sheets = crew_sheets(plan)
    frequency, places = visit_plan(chain, team, network)
    said = summary(chain, plan, sheets, frequency, handed=handed, day=day, no_room=0,
                   notes=[*notes, *idle, *plan.notes, *plan_faults(chain, plan)])["sentences"]
display(HTML("<ul class='say'>" + "".join(f"<li>{escape(line)}</li>" for line in said) + "</ul>"))

# %% [markdown]
# ### The routes of the day

# %%
if missing:
    print("No routes without crews.")
else:
    ways = ["-", "--", "-.", ":"]
    inks = ["#0b6b67", "#8f5200", "#6b3a78", "#1c2b36"]
    with house_style():
        figure, ax = plt.subplots(figsize=(8, 5), layout="constrained")
        if chain.streets is not None:
            chain.streets.plot(ax=ax, color="#c3c9cd", linewidth=0.8, zorder=1)
        for at, sheet in enumerate(sheets):
            look = {"color": inks[at % 4], "linestyle": ways[at % 4]}
            for leg in sheet.legs:
                ax.plot(*shapely.get_coordinates(leg).T, linewidth=1.8, zorder=2, **look)
            ax.plot([], [], label=f"{sheet.crew['name']}, {len(sheet.stops)} stops", **look)
        for kind, marker, face, label in (("reported", "s", "#9c2f1f", "reported job"),
                                          ("hotspot", "o", "white", "hotspot to look at")):
            spots = plan.visits[plan.visits["kind"] == kind].geometry
            ax.scatter(spots.x, spots.y, marker=marker, s=26, facecolor=face, edgecolor="#1c2b36",
                       zorder=3, label=label)
        ax.scatter(team.geometry.x, team.geometry.y, marker="p", s=120, color="#1c2b36", zorder=4,
                   label="depot")
        low, high = plan.visits.total_bounds[:2], plan.visits.total_bounds[2:]
        ax.set_xlim(low[0] - 200, high[0] + 200)
        ax.set_ylim(low[1] - 200, high[1] + 350)
        ax.plot([low[0], low[0] + 500], [low[1] - 150] * 2, color="#1c2b36", linewidth=3)
        ax.annotate("500 m", (low[0] + 520, low[1] - 150), va="center", fontsize=8)
        ax.annotate("N", (high[0] + 120, high[1] + 300), (high[0] + 120, high[1] + 100),
                    ha="center", arrowprops={"arrowstyle": "<|-", "color": "#1c2b36"})
        ax.set_aspect("equal")
        ax.set_axis_off()
        ax.legend(loc="upper center", bbox_to_anchor=(0.5, 0), ncols=3, frameon=False, fontsize=8)
        going = "1 crew goes" if len(sheets) == 1 else f"{len(sheets)} crews go"
        ax.set_title(f"{going} out on {day.day} {day:%B %Y}", loc="left")
        display(figure, metadata={"image/png": {"alt": (
            f"Map of the routes of {going.rpartition(' ')[0]} from the depot through "
            f"{int((plan.visits['kind'] == 'reported').sum())} reported jobs and "
            f"{int((plan.visits['kind'] == 'hotspot').sum())} hotspots; the stops follow as "
            "tables.")}})
        plt.close(figure)

# %% [markdown]
# Each crew's stops in order. The full run sheets, with materials and **all cautions**, are written
# by `rehit patrol`; cautions never replace the safety data sheet, local codes and licensed
# practice.

# %%
for sheet in [] if missing else sheets:
    stop = pd.DataFrame(sheet.stops)
    display(HTML(f"<h3>{escape(str(sheet.crew['name']))}</h3>"))
    display(pd.DataFrame({
        "stop": stop["number"], "where": stop["name"],
        "why": stop["kind"].map({"reported": "reported job", "hotspot": "look"}),
        "offensive": stop["offensive"].map({True: "yes", False: ""}),
        "arrive": stop["arrive_min"].map(clock), "leave": stop["leave_min"].map(clock),
        "method": stop["method"].str.replace("_", " "),
    }).style.hide().format(escape="html"))

# %% [markdown]
# ### What was left out

# %%
if missing:
    print("Nothing was planned, so nothing was left out.")
elif plan.left_out.empty:
    print(f"None of the {len(stops):,} stops offered. Not all {len(places):,} places are offered "
          "each day: the likeliest come first, the others when their interval is up.")
else:
    display(plan.left_out[["name", "kind", "reason"]].style.hide().format(escape="html"))

# %% [markdown]
# ### How often to visit
#
# The places that deserve the most visits:

# %%
each = {"place_id": "place", "rate_per_year": "markings a year", "interval_days": "every … days",
        "visits_per_week": "visits a week"}
frequency.table.nsmallest(15, "interval_days")[list(each)].rename(
    columns=each).style.hide().format(precision=1, escape="html")

# %% [markdown]
# ### Turn the knob
#
# More or less crew time for planned visits:

# %%
base = frequency.table[["place_id", "rate_per_year", "visit_h", "longest_days"]]
slider = widgets.IntSlider(value=round(max(frequency.hours_per_week, 1)), min=1, max=120,
                           description="crew hours a week", style={"description_width": "initial"})
read = {"marking_days_per_week": "days a week that markings stand, all places together",
        "value_of_an_hour": "such days one more crew hour would save",
        "short_by_h": "crew hours missing to keep the longest intervals allowed"}
turning(lambda hours: pd.Series(
    attrgetter(*read)(visit_intervals(base, hours_per_week=hours, parameters=numbers)),
    index=list(read.values()), name=f"with {hours} crew hours a week").round(1).to_frame().to_html(
        border=0), hours=slider)

# %% [markdown]
# ## How
#
# Reported jobs weigh more than every hotspot, offensive ones most; a hotspot counts by its chance
# of being found marked. Drives follow the project's streets where it has them, straight lines with
# a detour where not. Every plan is checked again by code that knows nothing of the search.
#
# A marking stands half an interval on average, so visits are spread to leave the fewest
# marking-days: the interval grows with the square root of the visit's time over the place's rate.

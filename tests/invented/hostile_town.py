"""A small project every one of whose texts tries to run in a page."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pandas as pd
from small_town import make_town

#: Ways out of an element, an attribute, a script, a style, a template and a Markdown cell.
HOSTILE = ("</script></style></title>\"'`><img src=x onerror=window.hurt=1>"
           "<script>window.hurt=1</script><svg onload=window.hurt=1>"
           "{{window.hurt=1}}{% raw %}{{7*7}}${window.hurt=1}")
LINK = "javascript:window.hurt=1//[x](javascript:window.hurt=1)<https://elsewhere.example/x.js>"


def make_hostile(folder: Path) -> Path:
    """Write the project: log, register, works, measures, vehicles, depots, streets, settings."""
    make_town(folder)
    log = pd.read_csv(folder / "log.csv", dtype="str", keep_default_na=False)
    asset = [f"A{number % 12}{HOSTILE}" for number in range(len(log))]
    log = log.assign(**{
        "Ref": log["Ref"] + HOSTILE, "Address": log["Address"] + HOSTILE, "Asset No": asset,
        "Status": [f"{s}{HOSTILE}" if k % 9 == 0 else s for k, s in enumerate(log["Status"])],
        "Surface": "painted brick " + HOSTILE, "Description": "tag " + HOSTILE + LINK,
        "Type": "graffiti " + HOSTILE, f"Notes {HOSTILE}": LINK})
    log.to_csv(folder / "log.csv", index=False)
    _register(folder, sorted(set(asset)), log)
    _streets(folder)
    for name in ("depots", "vehicles"):
        table = pd.read_csv(folder / f"{name}.csv")
        table.assign(name=table["name"] + HOSTILE).to_csv(folder / f"{name}.csv", index=False)
    pd.DataFrame({"work_id": [f"J{k}{HOSTILE}" for k in range(30)], "case_ref": log["Ref"].head(30),
                  "asset_id": asset[:30], "done_at": log["Closed"].head(30),
                  "crew": "Crew " + HOSTILE, "method": "paint_out", "area_m2": 1.5, "minutes": 40,
                  "crew_size": 1, "paint_l": 0.4, "cost": 57.0, "remark": LINK}).to_csv(
        folder / "works.csv", index=False)
    pd.DataFrame({"measure": f"coat {HOSTILE}", "asset_id": sorted(set(asset))[:6],
                  "role": ["treated", "comparison"] * 3, "started_at": "2025-06-01"}).to_csv(
        folder / "measures.csv", index=False)
    file = folder / "rehit.toml"
    file.write_text(file.read_text(encoding="utf-8")
                    .replace('name = "Small town"', f"name = {json.dumps('Town ' + HOSTILE)}")
                    .replace("[files]", '[files]\nregister = "register.geojson"\n'
                             'works = "works.csv"\nmeasures = "measures.csv"'), encoding="utf-8")
    return folder


def _register(folder: Path, assets: list[str], log: pd.DataFrame) -> None:
    places = log.drop_duplicates("Latitude").head(len(assets))
    gpd.GeoDataFrame(
        {"asset_id": assets[:len(places)], "asset_type": "wall", "substrate": "brick " + HOSTILE,
         "owner": "council " + HOSTILE, "address": list(places["Address"]), "name": LINK},
        geometry=gpd.points_from_xy(places["Longitude"].astype(float),
                                    places["Latitude"].astype(float)), crs=4326).to_file(
        folder / "register.geojson", driver="GeoJSON")


def _streets(folder: Path) -> None:
    streets = gpd.read_file(folder / "streets.geojson")
    streets.assign(name="Street " + HOSTILE).to_file(folder / "streets.geojson", driver="GeoJSON")

"""The run sheet as one small page for a phone, complete in itself: no network, no script."""

from __future__ import annotations

import base64
from html import escape

import geopandas as gpd

from rehit.patrol.route_map import draw_map
from rehit.patrol.runsheet import (
    CAUTION,
    WATER_HELD,
    care_words,
    expect_words,
    head_words,
    load_title,
    load_words,
    method_words,
    sheet_title,
    window_words,
)
from rehit.patrol.sheets import Sheet, clock

STYLE = """
body{font:18px/1.4 "DejaVu Sans",system-ui,sans-serif;color:#1c2b36;background:#fff;margin:0 auto;
max-width:42rem;padding:.6rem .8rem 3rem}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.2rem;margin:1.4rem 0 .4rem}
img{width:100%;border:1px solid #9aa4ab}
ol{list-style:none;padding:0;margin:0}
ol>li{display:grid;grid-template-columns:3.2rem 1fr;gap:.2rem .8rem;padding:.7rem 0;
border-bottom:1px solid #9aa4ab}
.n{font-weight:bold;font-size:1.4rem;text-align:center;padding:.3rem 0;border:2px solid #1c2b36;
border-radius:1.4rem;align-self:start}
.reported .n{background:#9c2f1f;border-color:#9c2f1f;color:#fff;border-radius:0}
.t{font-weight:bold;font-size:1.3rem}.p{font-weight:bold}
.first{font-weight:bold;color:#9c2f1f}
a{color:#0b6b67}label{display:inline-block;padding:.4rem 0}
input{width:1.4rem;height:1.4rem;vertical-align:middle}
input:checked+span{text-decoration:line-through}
"""


def phone_page(sheet: Sheet, *, when: str, streets: gpd.GeoDataFrame | None) -> str:
    """Return the HTML of one crew's day; every text from a log is escaped.

    Each place has a ``geo:`` link (RFC 5870) that opens whatever map the phone has.
    """
    name = escape(sheet_title(sheet))
    picture = base64.b64encode(draw_map(sheet, streets=streets)).decode("ascii")
    degrees = sheet.rows.geometry.to_crs(4326)
    leave = "Leave" if sheet.since_min is None else "Go on from"
    items = "".join(_item(row, point, leave) for row, point in
                    zip(sheet.rows.to_dict("records"), degrees, strict=True))
    water = f"<li>{WATER_HELD}</li>" if sheet.wash_water_l > 0 else ""
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{name}, {escape(when)}</title><style>{STYLE}</style></head><body><main>"
        f"<h1>{name}</h1><p>{escape(when)}. {escape(head_words(sheet))}</p>"
        f'<img alt="Map of the route with numbered stops" src="data:image/png;base64,{picture}">'
        f"<h2>{load_title(sheet)}</h2><ul>{_points(load_words(sheet))}{water}</ul>"
        f"<h2>Stops in order</h2><ol>{items}</ol>"
        f"<h2>Take care</h2><ul>{_points(care_words(sheet))}</ul>"
        f"<p><strong>{CAUTION}</strong></p></main></body></html>\n")


def _points(lines: list[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _item(row: dict[str, object], point: object, leave: str) -> str:
    arrive = clock(float(str(row["leave_min" if row["kind"] == "depart" else "arrive_min"])))
    place = escape(str(row["name"]))
    if not row["number"]:
        word = {"depart": leave, "return": "Back at", "break": "Break"}[str(row["kind"])]
        said = word if row["kind"] == "break" else f"{word} {place}"
        return (f'<li><span></span><div><span class="t">{arrive}</span> '
                f'<span class="p">{said}</span></div></li>')
    link = f"geo:{point.y:.6f},{point.x:.6f}"  # type: ignore[attr-defined]
    first = '<div class="first">Offensive, urgent</div>' if row["offensive"] else ""
    window = escape(window_words(row))
    cautions = escape("; ".join(filter(None, [str(row["cautions"] or "")])))
    return (f'<li class="{escape(str(row["kind"]))}"><span class="n">{row["number"]}</span><div>'
            f'<span class="t">{arrive}</span> to {clock(float(str(row["leave_min"])))}'
            f'<div class="p"><a href="{link}">{place}</a></div>{first}'
            f"<div>{escape(method_words(row))}: {escape(expect_words(row))}</div>"
            f"<div>{window}</div><details><summary>Cautions</summary>{cautions}</details>"
            f'<label><input type="checkbox"> <span>Done</span></label></div></li>')

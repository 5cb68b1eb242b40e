"""The words a log is written in: spellings, sizes, notes, and what must never leave it."""

from __future__ import annotations

SURFACE_WORDS: dict[tuple[str, str], tuple[str, ...]] = {
    ("brick", "painted"): ("Painted brick", "painted brick", "Brick (painted)", "brick - painted",
                           "Painted brik", "painted brickwork", "PAINTED BRICK"),
    ("brick", "bare"): ("Brick", "brick", "Bare brick", "Brickwork", "brik", "bare brick", "BRICK",
                        "bricks"),
    ("render", "painted"): ("Painted render", "Render (painted)", "painted rendered wall",
                            "Painted stucco", "painted rendr"),
    ("render", "bare"): ("Render", "bare render", "unpainted render", "pebbledash"),
    ("concrete", "painted"): ("Painted concrete", "Concrete (painted)", "painted concreet",
                              "concrete, painted"),
    ("concrete", "bare"): ("Concrete", "concrete", "bare concrete", "Conrete", "concreet"),
    ("stone", "bare"): ("Stone", "stone", "Limestone", "bare stone", "sandstone", "stonework"),
    ("tile", "bare"): ("Tile", "tiles", "Glazed tile", "ceramic tile"),
    ("timber", "painted"): ("Painted timber", "painted wood", "Timber (painted)",
                            "painted wooden fence"),
    ("timber", "bare"): ("Timber", "bare wood", "untreated timber", "wood"),
    ("metal", "painted"): ("Painted metal", "Metal (painted)", "painted steel", "painted metel",
                           "Metal - painted"),
    ("powder_coated", "bare"): ("Powder coated", "powder-coated", "Powdercoated metal",
                                "powder coat", "Powder coated steel"),
    ("plastic", "bare"): ("Plastic", "plastic", "plastc", "PVC"),
    ("glass", "bare"): ("Glass", "glass", "Glazing", "window glass"),
    ("sign_face", "bare"): ("Sign face", "Road sign", "sign", "traffic sign"),
}
TYPE_WORDS: dict[str, tuple[str, ...]] = {
    "wall": ("Wall", "wall", "Boundary wall", "WALL"), "cabinet": ("Cabinet", "cabinet",
                                                                  "Utility box", "Cabnet"),
    "shutter": ("Shutter", "roller shutter", "shutter"), "fence": ("Fence", "fence", "Fencing"),
    "sign": ("Sign", "Street sign", "sign"), "bus shelter": ("Bus shelter", "bus stop shelter"),
    "bench": ("Bench", "seat", "bench"), "lamp column": ("Lamp column", "lamp post", "Lamppost"),
    "litter bin": ("Litter bin", "bin", "Bin"), "substation": ("Substation", "sub station"),
    "toilet block": ("Toilet block", "public toilets", "WC block"),
    "bridge abutment": ("Bridge abutment", "bridge", "abutment"),
    "underpass": ("Underpass", "underpass", "under pass"), "subway": ("Subway", "subway"),
}
MEDIUM_WORDS: dict[str, tuple[str, ...]] = {
    "spray": ("Spray paint", "spray", "aerosol", "Spraypaint"),
    "marker": ("Marker pen", "marker", "felt pen"), "sticker": ("Sticker", "stickers"),
    "wax": ("Wax crayon", "crayon"), "etched": ("Etched", "scratched"),
    "house_paint": ("House paint", "thrown paint", "emulsion"),
}
STATUS_WORDS: dict[str, tuple[str, ...]] = {
    "open": ("Open", "In progress", "OPEN", "Awaiting crew"),
    "cleared": ("Completed", "Completed", "Completed", "COMPLETED", "Complete", "Closed"),
    "duplicate": ("Duplicate", "Closed - duplicate", "DUPLICATE"),
}
OUTCOME_WORDS: dict[str, tuple[str, ...]] = {
    "cleared": ("Removed", "Removed", "Graffiti removed", "Cleaned"),
    "not_found": ("Not found", "No graffiti found"),
    "private_owner": ("Private owner", "Referred to private owner"),
    "referred": ("Referred", "Passed to asset owner"), "pending": ("", "Pending"),
}
NOTES: tuple[str, ...] = (
    "", "", "", "", "", "Tag in black", "Large letters, two colours", "Same spot as last month",
    "Seen from the bus stop", "Please remove, looks awful", "Facing the car park",
    "Just by the crossing", "Several small tags", "Low down near the pavement",
    "Reported by school", "Silver and black lettering", "Next to the litter bin",
    "Been there since the weekend", "Red spray, still wet", "Low priority, no access issues",
    "Corner of the building", "Crew to bring ladder", "Blue marker, faint",
)
REPEAT_NOTES: tuple[str, ...] = (
    "", "", "Still there!", "Reported before, not done", "Second time I report this",
    "Why is this not removed yet", "Same marking as reported earlier",
)
FORMULAS: tuple[str, ...] = (
    '=HYPERLINK("http://example.org/x","open me")', "=1+1", "+SUM(A1:A9)", "@SUM(1,2)",
    "-2+3", '=IF(1=1,"yes","no")', "=A1&B1",
)
MARKUP: tuple[str, ...] = (
    "<script>alert('x')</script>", "<img src=x onerror=alert(1)>", "<b>urgent</b> & dirty",
    '"><svg onload=alert(2)>', "{{7*7}}", "</td></table><h1>big</h1>",
)

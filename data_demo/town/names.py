"""Invented names of streets and people, and the words of the log."""

from __future__ import annotations

CORE_ALONG = ("Strand Row", "Ropery Street", "Gull Lane", "High Street", "Corn Street",
              "Lantern Street", "Upper Lantern Street")
CORE_UP = ("Anchor Street", "Herring Lane", "Chapel Street", "Cooper Street", "Mercer Street",
           "Market Passage", "Tallow Lane", "Bell Street", "Saltpan Lane", "Custom Street",
           "Ferry Steps")
# One-way the way they are drawn; each has a neighbour that runs the other way or both ways.
ONE_WAY = ("Ropery Street", "Corn Street", "Chapel Street", "Mercer Street")
HILL = ("Larkspur Road", "Gorse Road", "Beacon Road", "Heather Road", "Thrift Terrace",
        "Windmill Lane", "Furze Lane", "Steep Lane", "Plover Lane")
SPINES = ("Alder Way", "Birch Way", "Cedar Way", "Damson Way", "Elder Way", "Fern Way")
ROWS = ("Orchard Road", "Meadow Road", "Ridge Road")
CLOSES = (
    "Wren Close", "Dunnock Close", "Siskin Close", "Linnet Close", "Merlin Close",
    "Curlew Court", "Dunlin Court", "Knot Court", "Sanderling Court", "Whimbrel Court",
    "Quince Close", "Medlar Close", "Bullace Close", "Mulberry Close", "Pippin Close",
    "Clover Court", "Vetch Court", "Yarrow Court", "Teasel Court", "Campion Court",
    "Sorrel Close", "Burdock Close", "Mallow Close", "Tansy Close", "Comfrey Close",
    "Hazel Court", "Rowan Court", "Spindle Court", "Aspen Court", "Juniper Court")
DOCK_ALONG = ("Capstan Road", "Windlass Road", "Bollard Road", "Hawser Road", "Ballast Road")
DOCK_UP = ("Quay Lane", "Shed Lane", "Crane Lane", "Slip Lane")

WARD_FIRST = ("Ash", "Brock", "Cold", "Dun", "Elt", "Fal", "Hart", "Kel", "Lan", "Mar", "Nor",
              "Ost")
WARD_LAST = ("wick", "by", "thorpe", "stow", "combe", "ley", "den", "mere", "holme", "worth",
             "toft", "sea")
FIRST_NAMES = ("Ottilia", "Barnaby", "Corisande", "Leopold", "Philippa", "Ambrose", "Rosalind",
               "Thaddeus")
LAST_NAMES = ("Quillby", "Tarnsworth", "Ossendale", "Brackwater", "Wexcombe", "Pellinore",
              "Thistlewick", "Marrowdale")

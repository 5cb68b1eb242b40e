"""`rehit new`: start a project folder around somebody's log."""

from __future__ import annotations

import argparse
from pathlib import Path

from rehit.cli.common import Answer

HELP = "start a project folder for your own log"
DESCRIPTION = """\
Looks at a log and starts a project folder for it: a project file (study area, projection, time
zone, currency, rates) and a proposed reading of the log's columns, with the evidence for each,
for you to check. Existing files are never overwritten."""
EXAMPLE = "rehit new my_town --log incidents.csv --time-zone Europe/Lisbon"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Give the command its options."""
    parser.add_argument("folder", type=Path, help="folder to make")
    parser.add_argument("--log", type=Path, nargs="+", required=True, metavar="FILE",
                        help="the incident log: CSV, XLSX, GeoJSON, GeoPackage, Parquet, "
                             "or Open311 JSON or XML; several files of one log may be given")
    parser.add_argument("--register", type=Path, metavar="FILE", help="asset register, if any")
    parser.add_argument("--streets", type=Path, metavar="FILE", help="street lines, if any")
    parser.add_argument("--name", metavar="TEXT", help="name of the place (default: the folder's)")
    parser.add_argument("--crs", metavar="CODE",
                        help="projection of your maps or of the log's coordinates, such as "
                             "EPSG:32630 (default: found from the log)")
    parser.add_argument("--time-zone", default="UTC", metavar="ZONE",
                        help="time zone of the log's clock, such as Europe/Lisbon (default: UTC)")
    parser.add_argument("--currency", default="€", metavar="SIGN",
                        help="currency sign (default: €)")


def run(args: argparse.Namespace) -> Answer:
    """Start the project and list what to check in it."""
    from rehit.pipeline.starting import start_project

    return start_project(
        args.folder, logs=args.log, register=args.register, streets=args.streets, name=args.name,
        crs=args.crs, time_zone=args.time_zone, currency=args.currency)

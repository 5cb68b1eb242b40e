"""What a register says when a project is started around it."""

from __future__ import annotations

from pathlib import Path

from shapely.geometry import box

from rehit.assets.register import inspect_register

Area = tuple[float, float, float, float]


def register_lines(path: Path, *, crs: str, area: Area | None) -> list[str]:
    """Read a register and say how it was understood.

    Parameters
    ----------
    path
        The file.
    crs
        The project's projection.
    area
        West, south, east, north of the log in degrees, if it has coordinates.

    Returns
    -------
    list of str
        The number of assets, then a line for each thing noticed. Assets that all lie outside the
        area of the log are in another projection than the one they were taken to be in.

    Raises
    ------
    ManyErrors, InputFileError, TableError
        If it cannot be used.
    """
    reading = inspect_register(path, crs=crs)
    register = reading.register
    lines = [f"{path.name}: {len(register):,} assets"]
    lines += [f"  {note}" for note in reading.notes]
    if area is not None and not register.to_crs(4326).intersects(box(*area)).any():
        lines.append(f"  check: no asset lies where the log's incidents do. If the register's "
                     f"coordinates are not in {crs}, export them in degrees (WGS 84), or as "
                     "GeoPackage, which names its projection")
    return lines

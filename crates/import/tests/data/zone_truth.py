"""Runs of quarter hours with one offset from UTC, by zone and year, after Python's zoneinfo.

Prints CSV: zone, year, first quarter hour of the run (seconds since 1970, UTC), quarter hours,
offset (seconds east of Greenwich). The test builds local texts from these by plain arithmetic,
so that neither our code nor the library it uses has a part in the truth.
Run: python zone_truth.py > zone_truth.csv   (versions stand in the first line of the output)
"""

import importlib.metadata
import platform
import zoneinfo
from datetime import datetime, timedelta, timezone

CASES = [
    ("Europe/Berlin", 2024),
    ("America/New_York", 2024),
    ("Australia/Lord_Howe", 2024),
    ("Africa/Casablanca", 2024),
    ("Antarctica/Troll", 2024),
    ("America/St_Johns", 2023),
    ("America/Mexico_City", 2022),
    ("Asia/Tehran", 2022),
    ("Africa/Cairo", 2023),
    ("Pacific/Apia", 2021),
    ("Asia/Kolkata", 2024),
]


def main():
    zoneinfo.reset_tzpath(to=[])
    tzdata = importlib.metadata.version("tzdata")
    print(f"# Python {platform.python_version()}, zoneinfo with tzdata {tzdata}")
    print("zone,year,start_s,quarter_hours,offset_s")
    for name, year in CASES:
        zone = zoneinfo.ZoneInfo(name)
        at = datetime(year, 1, 1, tzinfo=timezone.utc)
        end = datetime(year + 1, 1, 1, tzinfo=timezone.utc)
        runs = []
        while at < end:
            offset = int(at.astimezone(zone).utcoffset().total_seconds())
            if runs and runs[-1][2] == offset:
                runs[-1][1] += 1
            else:
                runs.append([int(at.timestamp()), 1, offset])
            at += timedelta(minutes=15)
        for start, count, offset in runs:
            print(f"{name},{year},{start},{count},{offset}")


main()

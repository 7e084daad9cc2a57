"""Runs what the docs promise to people who work in Python, against a site with a judged night.

    python notebooks-data/check.py SITE

Executed: every notebook here, cell by cell, and every ```python block of README.md and docs/ as
it stands there. Read: the check plan by the calendar parser of PyPI (`icalendar`), the Windows
task by an XML parser. Everything that is looked at must hold, and the committed notebooks carry
no output: an output would carry the machine it was made on.
"""

import csv
import datetime
import html
import os
import pathlib
import re
import sys
import tempfile
import xml.etree.ElementTree
import zoneinfo

import icalendar
import nbclient
import nbformat

ROOT = pathlib.Path(__file__).resolve().parent.parent
# Stands for the site in the docs' examples.
EXAMPLE_SITES = ["larkmoor", "plant"]


def newest(site):
    return site / "out" / (site / "out" / "latest").read_text().strip()


def notebooks(site):
    for path in sorted((ROOT / "notebooks-data").glob("*.ipynb")):
        notebook = nbformat.read(path, as_version=4)
        nbformat.validate(notebook)
        code = [cell for cell in notebook.cells if cell.cell_type == "code"]
        for cell in code:
            assert not cell.outputs and cell.execution_count is None, f"{path.name} carries outputs"
        os.environ["METERSIFT_SITE"] = str(site)
        with tempfile.TemporaryDirectory() as folder:
            client = nbclient.NotebookClient(
                notebook, timeout=100, resources={"metadata": {"path": folder}}
            )
            client.execute()
        text = "".join(out.get("text", "") for cell in code for out in cell.outputs)
        kinds = {kind for cell in code for out in cell.outputs for kind in out.get("data", {})}
        for said in ["equal:", "days of one meter", "the report says the same of"]:
            assert said in text, f"{path.name} never said `{said}`: {text}"
        assert "image/png" in kinds, f"{path.name} drew nothing"
        print(f"{path.name}: {len(code)} cells ran")


def docs_blocks(site):
    """Python of the pages, run where `larkmoor` and `plant` are the site."""
    ran = 0
    with tempfile.TemporaryDirectory() as folder:
        for name in EXAMPLE_SITES:
            os.symlink(site, pathlib.Path(folder) / name)
        os.chdir(folder)
        for page in [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]:
            for block in re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), re.S):
                lines = [line for line in block.splitlines() if line.strip()]
                assert len(lines) <= 3, f"{page.name}: more than three lines: {block}"
                if "plot(" in block:
                    import matplotlib

                    matplotlib.use("Agg")
                exec(compile(block, str(page), "exec"), {"__name__": "docs"})
                ran += 1
        os.chdir(ROOT)
    assert ran >= 3, f"only {ran} blocks of Python in the docs"
    print(f"docs: {ran} blocks of Python ran")


def calendar(site):
    night = newest(site)
    with open(night / "lists" / "check-plan.csv", encoding="utf-8-sig", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["day"]]
    text = (night / "lists" / "check-plan.ics").read_bytes()
    plan = icalendar.Calendar.from_ical(text)
    # A plan that follows another also tells which of its appointments are cancelled.
    wanted = [event for event in plan.walk("VEVENT") if event["STATUS"] == "CONFIRMED"]
    events = {str(event["SUMMARY"]): event for event in wanted}
    assert len(events) == len(rows) > 0, (len(events), len(rows))
    zone = zoneinfo.ZoneInfo("Europe/London")
    timed = 0
    for row in rows:
        event = events[f"In-situ check of {row['meter']}"]
        start = event.decoded("DTSTART")
        if row["start"]:
            told = datetime.datetime.fromisoformat(row["start"].replace("Z", "+00:00"))
            assert start == told, (row["meter"], start, told)
            local = start.astimezone(zone)
            assert local.date().isoformat() == row["day"], (row["meter"], local)
            assert f"{local:%H}:00" in row["local_start"], (row["meter"], local, row["local_start"])
            assert event.decoded("DTEND") - start == datetime.timedelta(hours=1)
            timed += 1
        else:
            assert start.isoformat() == row["day"], (row["meter"], start)
        description = str(event["DESCRIPTION"])
        assert row["why"].lstrip("'") in description and "Caution: " in description, description
        assert event.decoded("DTSTAMP").isoformat().startswith(row["as_of"]), row["meter"]
    assert len({str(event["UID"]) for event in events.values()}) == len(rows)
    print(f"check plan: {len(rows)} appointments read, {timed} with an hour")


def windows_task():
    path = ROOT / "docs" / "examples" / "metersift-night.xml"
    task = xml.etree.ElementTree.parse(path).getroot()
    name = {"t": "http://schemas.microsoft.com/windows/2004/02/mit/task"}
    assert task.tag == "{%s}Task" % name["t"], task.tag
    for needed in ["Triggers/t:CalendarTrigger/t:StartBoundary", "Actions/t:Exec/t:Command"]:
        assert task.find(f"t:{needed}", name) is not None, needed
    policy = task.find("t:Settings/t:MultipleInstancesPolicy", name)
    assert policy is not None and policy.text == "IgnoreNew"
    arguments = task.find("t:Actions/t:Exec/t:Arguments", name).text
    assert arguments.startswith("run ") and "--site " in arguments, arguments
    print(f"Windows task: {html.escape(arguments)}")


def main():
    site = pathlib.Path(sys.argv[1]).resolve()
    windows_task()
    calendar(site)
    docs_blocks(site)
    notebooks(site)


if __name__ == "__main__":
    main()

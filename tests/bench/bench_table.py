"""The figures as a table, as text and as markdown, and as JSON for other programs."""

import json
import os
import platform
import statistics
import subprocess

COLUMNS = ["what", "files", "drive", "hayloft", "against", "median", "ratio", "without flush", "target", "met"]


class Row:
    """One comparison: times of hayloft and of the other side, in seconds, pair by pair."""

    def __init__(self, what, files, drive, ours, other, theirs, target, cache):
        self.what, self.files, self.drive, self.target, self.cache = what, files, drive, target, cache
        self.ours, self.other, self.theirs = ours, other, theirs

    def ratio(self, times="flushed"):
        ours, theirs = (statistics.median(getattr(one, times) for one in side) for side in (self.ours, self.theirs))
        if self.target.startswith(">="):
            # rates of the same bytes: the other way round
            return theirs / ours
        return ours / theirs

    def is_met(self):
        bound = float(self.target[2:])
        return self.ratio() >= bound if self.target.startswith(">=") else self.ratio() <= bound

    def cells(self):
        return [
            f"{self.what} ({self.cache})", f"{self.files:,}", self.drive, spread(self.ours), self.other, spread(self.theirs),
            f"{self.ratio():.2f}", f"{self.ratio('command'):.2f}", self.target, "yes" if self.is_met() else "no",
        ]

    def data(self):
        sides = {"hayloft": self.ours, self.other: self.theirs}
        return {
            "what": self.what, "cache": self.cache, "files": self.files, "drive": self.drive, "target": self.target, "met": self.is_met(),
            "ratio": self.ratio(), "ratio_without_flush": self.ratio("command"),
            "seconds": {name: [{"command": one.command, "flushed": one.flushed} for one in side] for name, side in sides.items()},
        }


def spread(times):
    seconds = [one.flushed for one in times]
    return f"{statistics.median(seconds):.3f} ({min(seconds):.3f}-{max(seconds):.3f})"


def machine(hayloft):
    def first(*words):
        return subprocess.run(words, capture_output=True, text=True, check=False).stdout.split("\n")[0].strip()

    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / (1 << 30)
    return {
        "kernel": platform.release(), "cores": len(os.sched_getaffinity(0)), "memory": f"{memory:.1f} GiB", "rsync": first("rsync", "--version").split()[2],
        "hayloft": first(hayloft, "--version").split()[-1], "commit": first("git", "describe", "--always", "--dirty"),
    }


def lines(cells, rule, joint):
    widths = [max(len(row[index]) for row in cells) for index in range(len(cells[0]))]
    for number, row in enumerate(cells):
        yield joint.join(cell.ljust(width) for cell, width in zip(row, widths)).rstrip()
        if number == 0:
            yield rule.join("-" * width for width in widths)


def text(rows, memories, skipped, about):
    told = [", ".join(f"{key} {value}" for key, value in about.items())]
    told.append("seconds until the drive was flushed: median (least-most); the ratio is that of the medians, of rates where at least is wanted")
    told.append("warm: the page cache as the commands before left it; cold: emptied before each; images by direct I/O")
    if rows:
        told += ["", *lines([COLUMNS] + [row.cells() for row in rows], "  ", "  ")]
    if memories:
        head = ["memory of", "files", "drive", "itself", "all its processes", "target", "met"]
        told += ["", *lines([head] + [memory_cells(one) for one in memories], "  ", "  ")]
    return "\n".join(told + [f"skipped: {why}" for why in skipped])


def memory_cells(one):
    def mebibytes(count):
        return f"{count / (1 << 20):.1f} MiB"

    target = f"<={one['target'] >> 20} MiB" if one["target"] else "-"
    met = "-" if not one["target"] else "yes" if one["together"] <= one["target"] else "no"
    return [one["what"], f"{one['files']:,}", one["drive"], mebibytes(one["itself"]), mebibytes(one["together"]), target, met]


def write(folder, rows, memories, skipped, about):
    os.makedirs(folder, exist_ok=True)
    with open(os.path.join(folder, "history.json"), "w", encoding="utf-8") as file:
        json.dump({"machine": about, "rows": [row.data() for row in rows], "memory": memories, "skipped": skipped}, file, indent=1)
    with open(os.path.join(folder, "history.md"), "w", encoding="utf-8") as file:
        file.write(", ".join(f"{key} {value}" for key, value in about.items()) + "\n")
        for table in markdown(rows, memories):
            file.write("\n" + "\n".join(table) + "\n")
        file.writelines(f"\nskipped: {why}\n" for why in skipped)


def markdown(rows, memories):
    tables = [[COLUMNS] + [row.cells() for row in rows]]
    tables.append([["memory of", "files", "drive", "itself", "all its processes", "target", "met"]] + [memory_cells(one) for one in memories])
    for cells in tables:
        if len(cells) > 1:
            yield ["| " + line + " |" for line in lines(cells, " | ", " | ")]

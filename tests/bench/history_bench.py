"""What a history costs, side by side with the tools that it is measured against: see `tests/bench/history`."""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time

import bench_table
from bench_drive import Drive, run
from bench_measure import Time, drop_caches, memory, timed
from bench_table import Row
from bench_tree import BenchTree

RSYNC = ["rsync", "-aHAX"]
MEASURES = ["first", "unchanged", "changed", "verify", "retire", "large", "memory"]
# a ratio of times at most, or of rates at least
TARGETS = {"first": "<=0.60", "changed": "<=0.30", "verify": ">=0.90", "retire": "<=0.60", "large": ">=0.95"}
UNCHANGED = {"ext4": "<=0.20", "xfs": "<=0.15", "btrfs": "<=0.15"}
MEMORY = 150 << 20
DAY = 86_400


def arguments():
    parser = argparse.ArgumentParser(prog="tests/bench/history")
    parser.add_argument("--hayloft", required=True)
    parser.add_argument("--files", default="10000,100000", help="sizes of the tree, with commas")
    parser.add_argument("--drives", default="ext4,xfs,btrfs", help="file systems of the drive")
    parser.add_argument("--only", default=",".join(MEASURES), help="of " + ", ".join(MEASURES))
    parser.add_argument("--repeats", type=int, help="pairs of each; 5, but 3 from 1,000,000 files")
    parser.add_argument("--large", type=int, default=1024, help="MiB of the large file")
    parser.add_argument("--cold", action="store_true", help="empty the page cache before each command")
    parser.add_argument("--folder", default="/var/tmp", help="where the drives' images lie")
    parser.add_argument("--to", default="target/bench", help="where the files with the figures go")
    return parser.parse_args()


class Bench:
    """One tree on one drive."""

    def __init__(self, options, folder, source, tree, drive, rows):
        self.options, self.folder, self.source, self.tree, self.drive = options, folder, source, tree, drive
        self.rows, self.memories, self.skipped = rows
        self.repeats = options.repeats or (3 if tree.count >= 1_000_000 else 5)
        self.now = 1_790_000_000
        self.newest = None

    # --- the two sides

    def config(self):
        os.makedirs(os.path.join(self.folder, "config", "jobs"), mode=0o755, exist_ok=True)
        self.write("config/server.toml", f"""
            [server]
            name = "kiln"
            time_zone = "UTC"
            state_dir = "{self.folder}/state"
            [drives.shelf]
            path = "{self.drive.path}"
            uuid = "{self.uuid()}"
            reserve = "1 MB"
            """)

    def uuid(self):
        return run("blkid", "-p", "-s", "UUID", "-o", "value", self.drive.device, capture_output=True, text=True).stdout.strip()

    def write(self, name, text):
        with open(os.path.join(self.folder, name), "w", encoding="utf-8") as file:
            file.write(text.replace("\n            ", "\n"))

    def job(self, name, source, more=""):
        self.write(f"config/jobs/{name}.toml", f'kind = "history"\nsource = ["{source}"]\ndrive = "shelf"\n{more}')

    def hayloft(self, *words):
        clock = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(self.now))
        return [self.options.hayloft, "--config", os.path.join(self.folder, "config"), "--json", "--clock", clock, *words]

    def ours(self, job="studio"):
        self.now += DAY
        return self.measured(self.hayloft("run", job))

    def theirs(self):
        """rsync beside hayloft's folder, sharing with its own newest copy."""
        name = f"rsync-{self.now}-{time.monotonic_ns()}"
        shared = [f"--link-dest=../{self.newest}"] if self.newest else []
        done = self.measured([*RSYNC, *shared, self.source + "/", f"{self.drive.path}/{name}/"])
        self.newest = name
        return done

    def measured(self, words, folder=None):
        if self.options.cold:
            drop_caches()
        return timed(words, self.drive.path, folder)

    def fresh_drive(self):
        self.drive.make()
        shutil.rmtree(os.path.join(self.folder, "state"), ignore_errors=True)
        shutil.rmtree(os.path.join(self.folder, "config"), ignore_errors=True)
        self.newest = None
        self.config()
        self.job("studio", self.source)

    # --- what is measured

    def pairs(self, what, ours, other, theirs, target, repeats=None, before=None, cache=None):
        """In turn, the first of each pair by turns."""
        mine, others = [], []
        for number in range(repeats or self.repeats):
            if before:
                before()
            sides = [(mine, ours), (others, theirs)]
            for times, side in sides if number % 2 == 0 else reversed(sides):
                times.append(side())
        row = Row(what, self.tree.count, self.drive.kind, mine, other, others, target, cache or ("cold" if self.options.cold else "warm"))
        self.rows.append(row)
        print("  " + "  ".join(row.cells()), file=sys.stderr)

    def first(self):
        # the last pair is what the nights after it begin with; three are enough of what takes longest
        self.pairs("first copy", self.ours, "rsync", self.theirs, TARGETS["first"], repeats=min(3, self.repeats), before=self.fresh_drive)

    def base(self):
        self.fresh_drive()
        self.ours()
        self.theirs()

    def unchanged(self):
        self.ours(), self.theirs()
        self.pairs("unchanged night", self.ours, "rsync --link-dest", self.theirs, UNCHANGED[self.drive.kind])

    def changed(self):
        def change():
            self.tree.change(0.01)

        self.pairs("1 % changed", self.ours, "rsync --link-dest", self.theirs, TARGETS["changed"], before=change)

    def verify(self):
        known = subprocess.run([self.options.hayloft, "verify", "--help"], capture_output=True, check=False)
        if known.returncode != 0:
            self.skipped.append("verify: this hayloft has no such command yet")
            return
        copies = os.path.join(self.drive.path, "hayloft/kiln/studio")
        newest = max(name for name in os.listdir(copies) if len(name) == 16 and name.endswith("Z"))
        cores = len(os.sched_getaffinity(0))
        for caches, empty in [("cold", drop_caches), ("warm", lambda: None)]:
            for processes in [1, cores]:
                def cat(processes=processes, empty=empty):
                    empty()
                    script = 'find "$1" -type f -print0 | xargs -0 -n 256 -P "$2" cat > /dev/null'
                    return timed(["sh", "-c", script, "sh", os.path.join(copies, newest), str(processes)], self.drive.path)

                def verify(empty=empty):
                    empty()
                    return timed(self.hayloft("verify", "studio"), self.drive.path)

                self.pairs("verify", verify, f"cat, {processes} at a time", cat, TARGETS["verify"], repeats=3, cache=caches)

    def retire(self):
        """All but the newest go in one run, each in steps of its own: the tree, and before it its manifest. Of the
        other side one tree goes after the other, too. Nothing is flushed in between."""
        self.job("studio", self.source, '[[keep]]\nevery = "1 day"\nfor = "1 day"\n')
        self.now += 10 * DAY
        removed = {}
        for step in json.loads(self.ours().output)["steps"]:
            if step["words"].startswith("remove "):
                generation = step["words"].removeprefix("remove ").removesuffix(".mtree")
                removed[generation] = removed.get(generation, 0) + step["seconds"]
        ours = [Time(seconds, seconds) for seconds in removed.values()]
        theirs = [self.removed(name) for name in sorted(os.listdir(self.drive.path)) if name.startswith("rsync-") and name != self.newest]
        self.newest = None
        if not ours or not theirs:
            self.skipped.append("retire: there was nothing to retire")
            return
        row = Row("retire a generation", self.tree.count, self.drive.kind, ours, "rm -rf", theirs, TARGETS["retire"], "cold" if self.options.cold else "warm")
        self.rows.append(row)
        print("  " + "  ".join(row.cells()), file=sys.stderr)

    def removed(self, name):
        begun = time.monotonic()
        run("rm", "-rf", name, cwd=self.drive.path)
        seconds = time.monotonic() - begun
        return Time(seconds, seconds)

    def large(self):
        folder = large_folder(self.source)
        number = iter(range(1000))

        def ours():
            job = f"large-{next(number)}"
            self.job(job, folder)
            return self.ours(job)

        def theirs():
            return self.measured(["cp", "--reflink=never", os.path.join(folder, "negatives.tif"), f"{self.drive.path}/large-{next(number)}"])

        self.pairs(f"{self.options.large} MiB file", ours, "cp --reflink=never", theirs, TARGETS["large"], before=self.fresh_drive)

    def memory(self):
        self.now += DAY
        night = memory(self.hayloft("run", "studio"))
        self.fresh_drive()
        first = memory(self.hayloft("run", "studio"))
        rsync = memory([*RSYNC, self.source + "/", f"{self.drive.path}/rsync-memory/"])
        for what, peak, target in [("a night", night, MEMORY), ("first copy", first, MEMORY), ("rsync, first copy", rsync, None)]:
            self.memories.append({"what": what, "files": self.tree.count, "drive": self.drive.kind, "target": target, **peak})

    def all(self, wanted):
        print(f"{self.tree.count:,} files, {self.drive.kind}", file=sys.stderr)
        if "first" in wanted:
            self.first()
        else:
            self.base()
        for name in ["unchanged", "changed", "verify", "retire", "memory"]:
            if name in wanted:
                getattr(self, name)()


def large_folder(source):
    return os.path.join(os.path.dirname(source), "large")


def make_large(source, mebibytes):
    folder = large_folder(source)
    os.makedirs(folder)
    with open(os.path.join(folder, "negatives.tif"), "wb") as file:
        for _ in range(mebibytes // 16):
            file.write(os.urandom(16 << 20))


def measure(options, folder, results):
    sizes = [int(size) for size in options.files.split(",")]
    wanted = options.only.split(",")
    unknown = set(wanted) - set(MEASURES)
    if unknown:
        raise SystemExit(f"--only knows {', '.join(MEASURES)}, not {', '.join(unknown)}")
    for files in sizes:
        room = files * 24_000 + (2 << 30) + (options.large << 20)
        source = Drive(folder, "source", "ext4", room)
        drive = None
        try:
            source.make()
            os.mkdir(os.path.join(source.path, "studio"))
            tree = BenchTree(os.path.join(source.path, "studio"), files).make()
            if "large" in wanted and files == sizes[0]:
                make_large(tree.top, options.large)
            # what changed within the last minute is written out before it is copied, which no night finds all of its files in
            time.sleep(61)
            for kind in options.drives.split(","):
                drive = Drive(folder, "shelf", kind, 2 * room + 3 * (options.large << 20))
                bench = Bench(options, folder, tree.top, tree, drive, results)
                bench.all(wanted)
                # once a drive: it has nothing to do with how many small files there are
                if "large" in wanted and files == sizes[0]:
                    bench.large()
                drive.remove()
        finally:
            for one in [drive, source]:
                if one:
                    one.remove()


def main():
    options = arguments()
    if os.geteuid() != 0:
        raise SystemExit("needs root, for loop devices")
    options.hayloft = os.path.abspath(options.hayloft)
    rows, memories, skipped = results = [], [], []
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="hayloft-bench-", dir=options.folder) as folder:
        os.chmod(folder, 0o755)
        try:
            measure(options, folder, results)
        finally:
            about = bench_table.machine(options.hayloft)
            print(bench_table.text(rows, memories, skipped, about))
            bench_table.write(options.to, rows, memories, skipped, about)
            print(f"\n{time.monotonic() - begun:.0f} s; also in {options.to}/history.md and history.json")


main()

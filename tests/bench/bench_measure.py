"""Runs one command and tells its time, with and without what it left for the disk; or the memory it took."""

import os
import subprocess
import threading
import time


class Time:
    """Seconds of wall clock: of the command itself, and until its drive was flushed (sync(1), `-f`)."""

    def __init__(self, command, flushed, output=b""):
        self.command, self.flushed, self.output = command, flushed, output


def timed(words, drive, folder=None, exits=(0,)):
    """What other commands left is flushed before, and not counted."""
    subprocess.run(["sync"], check=True)
    begun = time.monotonic()
    done = subprocess.run(words, cwd=folder, stdin=subprocess.DEVNULL, capture_output=True, check=False)
    command = time.monotonic() - begun
    subprocess.run(["sync", "-f", drive], check=True)
    flushed = time.monotonic() - begun
    if done.returncode not in exits:
        raise SystemExit(f"{words} ended with {done.returncode}:\n{done.stdout.decode()[-2000:]}\n{done.stderr.decode()[-2000:]}")
    return Time(command, flushed, done.stdout)


def drop_caches():
    subprocess.run(["sync"], check=True)
    with open("/proc/sys/vm/drop_caches", "w", encoding="ascii") as file:
        file.write("3")


def memory(words, folder=None):
    """Peaks in bytes: the high-water mark of the process itself, and all processes together, looked at every
    20 ms, what several share counted once (proc(5): VmHWM, Pss)."""
    process = subprocess.Popen(words, cwd=folder, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    peak, over = {"itself": 0, "together": 0}, threading.Event()

    def watch():
        while not over.wait(0.02):
            peak["itself"] = max(peak["itself"], kibibytes(process.pid, "status", "VmHWM:"))
            peak["together"] = max(peak["together"], sum(kibibytes(one, "smaps_rollup", "Pss:") for one in tree_of(process.pid)))

    watching = threading.Thread(target=watch)
    watching.start()
    errors = process.stderr.read()
    code = process.wait()
    over.set()
    watching.join()
    if code != 0:
        raise SystemExit(f"{words} ended with {code}:\n{errors.decode()[-2000:]}")
    return {key: value * 1024 for key, value in peak.items()}


def tree_of(process):
    found, at = [process], 0
    while at < len(found):
        try:
            for task in os.listdir(f"/proc/{found[at]}/task"):
                with open(f"/proc/{found[at]}/task/{task}/children", encoding="ascii") as file:
                    found += [int(word) for word in file.read().split()]
        except OSError:
            pass
        at += 1
    return found


def kibibytes(process, name, key):
    try:
        with open(f"/proc/{process}/{name}", encoding="utf-8") as file:
            for line in file:
                if line.startswith(key):
                    return int(line.split()[1])
    except OSError:
        pass
    return 0

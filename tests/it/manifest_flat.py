"""Compares a manifest as libarchive writes it (whole paths, octal escapes) with the tree, by lstat(2) alone.

manifest_flat.py TREE < manifest.mtree
"""

import os
import re
import stat
import sys

TREE = os.fsencode(sys.argv[1])
TYPES = {
    b"dir": stat.S_ISDIR, b"file": stat.S_ISREG, b"link": stat.S_ISLNK, b"fifo": stat.S_ISFIFO, b"char": stat.S_ISCHR,
    b"block": stat.S_ISBLK,
}


def decoded(word):
    return re.sub(rb"\\([0-3][0-7][0-7])", lambda match: bytes([int(match[1], 8)]), word)


def main():
    seen = set()
    for line in sys.stdin.buffer.read().split(b"\n"):
        if line and not line.startswith(b"#"):
            name, *words = line.split(b" ")
            path = os.path.normpath(decoded(name))
            if path in seen:
                print(repr(path), "twice")
            seen.add(path)
            compare(path, dict(word.split(b"=", 1) for word in words))
    for at, folders, files in os.walk(TREE):
        for name in folders + files:
            path = os.path.relpath(os.path.join(at, name), TREE)
            if path not in seen:
                print(repr(path), "is not in the manifest")
    print(len(seen), "entries", file=sys.stderr)


def compare(path, told):
    there = os.path.join(TREE, path)
    status = os.lstat(there)
    mode = status.st_mode
    seconds, nanos = divmod(status.st_mtime_ns, 10**9)
    seconds_told, nanos_told = told[b"time"].split(b".")
    found = {
        "mode": (int(told[b"mode"], 8), stat.S_IMODE(mode)), "uid": (int(told[b"uid"]), status.st_uid),
        "gid": (int(told[b"gid"]), status.st_gid), "seconds": (int(seconds_told), seconds), "nanos": (int(nanos_told), nanos),
    }
    # libarchive 3.6.2 writes type=socket, and reads it as a file
    if not stat.S_ISSOCK(mode):
        found["type"] = (bool(TYPES[told[b"type"]](mode)), True)
    if stat.S_ISREG(mode):
        found["size"] = (int(told[b"size"]), status.st_size)
    if stat.S_ISLNK(mode):
        found["link"] = (decoded(told[b"link"]), os.readlink(there))
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        device = b"native,%d,%d" % (os.major(status.st_rdev), os.minor(status.st_rdev))
        found["device"] = (told[b"device"], device)
    for what, (a, b) in found.items():
        if a != b:
            print(repr(path), what, a, b)


main()

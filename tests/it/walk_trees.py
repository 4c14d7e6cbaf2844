"""Walks two trees and tells each difference, with nothing but lstat(2), listxattr(2) and a hash.

walk_trees.py A B [no-sockets] [no-holes]
"""

import collections
import hashlib
import os
import stat
import sys

# in blocks of 512 bytes: a hole may end at another block
BLOCKS_BEYOND = 64


def walk(top):
    """Every path below `top` (and `.`) with what there is to know of it."""
    found, inodes = {}, collections.defaultdict(list)
    pending = [b""]
    while pending:
        name = pending.pop()
        there = os.path.join(top, name) if name else top
        status = os.lstat(there)
        found[name] = describe(there, status)
        if stat.S_ISDIR(status.st_mode):
            for entry in os.listdir(there):
                pending.append(os.path.join(name, entry))
        else:
            inodes[status.st_dev, status.st_ino].append(name)
    for names in inodes.values():
        for name in names:
            found[name]["links"] = sorted(names)
    return found


def describe(there, status):
    facts = {
        "type": stat.S_IFMT(status.st_mode), "mode": oct(stat.S_IMODE(status.st_mode)), "uid": status.st_uid,
        "gid": status.st_gid, "mtime": status.st_mtime_ns, "inode": status.st_ino,
        "attributes": sorted((key, os.getxattr(there, key, follow_symlinks=False)) for key in os.listxattr(there, follow_symlinks=False)),
    }
    if stat.S_ISREG(status.st_mode):
        facts["length"], facts["hash"], facts["blocks"] = status.st_size, digest(there), status.st_blocks
    if stat.S_ISLNK(status.st_mode):
        facts["target"] = os.readlink(there)
    if stat.S_ISCHR(status.st_mode) or stat.S_ISBLK(status.st_mode):
        facts["device"] = (os.major(status.st_rdev), os.minor(status.st_rdev))
    return facts


def digest(there):
    with open(there, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def differences(first, second, options=()):
    """Each as (name, what differs, in the first, in the second); inodes are not compared."""
    if "no-sockets" in options:
        first = {name: facts for name, facts in first.items() if facts["type"] != stat.S_IFSOCK}
    for name in sorted(first.keys() | second.keys()):
        a, b = first.get(name), second.get(name)
        if a is None or b is None:
            yield name, "only in", "the first" if a else "", "the second" if b else ""
            continue
        blocks_a, blocks_b = a.get("blocks", 0), b.get("blocks", 0)
        # a copy may have more holes, never fewer
        if "no-holes" not in options and blocks_b > blocks_a + BLOCKS_BEYOND:
            yield name, "blocks", blocks_a, blocks_b
        for key in sorted((a.keys() | b.keys()) - {"blocks", "inode"}):
            if a.get(key) != b.get(key):
                yield name, key, a.get(key), b.get(key)


def main():
    first, second = (walk(os.fsencode(top)) for top in sys.argv[1:3])
    for name, what, a, b in differences(first, second, sys.argv[3:]):
        print(repr(name), what, a, b)
    print(len(first), "entries", file=sys.stderr)


if __name__ == "__main__":
    main()

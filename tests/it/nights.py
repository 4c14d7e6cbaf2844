"""Makes a random tree, edits it night after night, and holds copies against what they must be.

nights.py SOURCE SEED: reads one command a line from standard input, as JSON, and answers each with one line.
Names are bytes; in answers they are written as Python does.
"""

import json
import os
import stat
import sys

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))

import nights_contents  # noqa: F401, adds its edits to the list
import nights_edits
import nights_tree
import walk_trees

TREE = nights_tree.Tree(sys.argv[1], int(sys.argv[2]))
WANTED, INODES = {}, {}


def make(entries):
    TREE.make(entries)
    return {"entries": len(TREE.names())}


def edit(most, least_entries, most_entries, edits):
    """Up to `most` edits; `edits` is "all", or "rsync" for those that plain rsync can follow."""
    done = []
    choice = [one for one in nights_edits.EDITS if edits == "all" or one not in nights_edits.BEYOND_RSYNC]
    for _ in range(TREE.random.randrange(most + 1)):
        there = len(TREE.names())
        one = TREE.pick(choice)
        if there < least_entries:
            one = nights_edits.create
        elif there > most_entries:
            one = TREE.pick([nights_edits.delete, nights_edits.delete_folder])
        name = one(TREE)
        if name is not None:
            done.append(f"{one.__name__} {name!r}")
    return {"edits": done}


def remember(generation, tree):
    """What the generation of this name must be from now on."""
    WANTED[generation] = walk_trees.walk(os.fsencode(tree))
    INODES.pop(generation, None)
    # the copy that all is held against must be right itself
    return {"differences": told(what_is_copied(walk_trees.walk(TREE.top)), WANTED[generation])}


def what_is_copied(found):
    """Without what the job leaves out: `*.tmp`, and what is in a `cache`."""
    def is_copied(name):
        parts = name.split(b"/")
        return not any(part.endswith(b".tmp") for part in parts) and b"cache" not in parts[:-1]

    copied = {name: facts for name, facts in found.items() if is_copied(name)}
    for facts in copied.values():
        if "links" in facts:
            facts["links"] = [name for name in facts["links"] if is_copied(name)]
    return copied


def told(wanted, found):
    """Each difference, called by what it is where that has a name of its own."""
    return [
        {"path": repr(name), "what": name_of(what, wanted.get(name), found.get(name)), "wanted": repr(a)[:300], "found": repr(b)[:300]}
        for name, what, a, b in walk_trees.differences(wanted, found)
    ]


def name_of(what, wanted, found):
    if what == "hash" and all(wanted[key] == found[key] for key in ("length", "mtime")):
        return "content behind size and time"
    if what == "links" and set(found["links"]) > set(wanted["links"]):
        return "linked though apart"
    if what == "attributes" and wanted["type"] == stat.S_IFDIR and int(wanted["mode"], 8) & stat.S_ISVTX:
        left = [dict(facts["attributes"]) for facts in (wanted, found)]
        for attributes in left:
            attributes.pop("system.posix_acl_access", None)
        if left[0] == left[1]:
            return "acl of a sticky folder"
    return what


def compare(generation, tree):
    """What is not as it must be; also where a file that stood there is another one now."""
    found = walk_trees.walk(os.fsencode(tree))
    for facts in found.values():
        # XFS shows ACLs a second time, as it holds them (the kernel's fs/xfs/xfs_xattr.c)
        facts["attributes"] = [one for one in facts["attributes"] if not one[0].startswith("trusted.SGI_ACL_")]
    different = told(WANTED[generation], found)
    inodes = {name: facts["inode"] for name, facts in found.items()}
    before = INODES.setdefault(generation, inodes)
    for name in sorted(inodes.keys() | before.keys()):
        if inodes.get(name) != before.get(name):
            different.append({"path": repr(name), "what": "inode", "wanted": repr(before.get(name)), "found": repr(inodes.get(name))})
    return {"differences": different}


def keep(generations):
    for gone in WANTED.keys() - set(generations):
        del WANTED[gone]
        INODES.pop(gone, None)
    return {"kept": len(WANTED)}


COMMANDS = {command.__name__: command for command in (make, edit, remember, compare, keep)}

for line in sys.stdin:
    command = json.loads(line)
    print(json.dumps(COMMANDS[command.pop("do")](**command)), flush=True)

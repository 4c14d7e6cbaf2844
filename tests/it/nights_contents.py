"""The edits of a night that change what is in files, or seem to; see `nights_edits.py`."""

import os
import stat
import subprocess

from nights_edits import (
    SECOND, again_equal, alone, below, beyond_rsync, copy_exactly, edit, overwrite, replace_with_equal, some_file, some_folder, swap,
    with_time_kept,
)

@edit
def append(tree):
    name = some_file(tree)
    if name:
        with open(tree.path(name), "ab") as file:
            file.write(tree.content())
        return name


@edit
def truncate(tree):
    name = some_file(tree)
    if name:
        os.truncate(tree.path(name), tree.random.randrange(tree.status(name).st_size + 1))
        return name


@edit
def write_in_the_middle(tree):
    name = some_file(tree, lambda status: status.st_size > 10)
    if name:
        overwrite(tree, name)
        return name


@edit
def write_and_touch_back(tree):
    name = some_file(tree, lambda status: status.st_size > 10)
    if name:
        moment = tree.status(name).st_mtime_ns
        overwrite(tree, name)
        tree.set_time(name, moment - tree.pick([1, SECOND, 86_400 * SECOND]))
        return name


@edit
def make_sparse(tree):
    name = some_file(tree)
    if name:
        tree.make_sparse(name)
        return name


@edit
def punch_a_hole(tree):
    name = some_file(tree, lambda status: status.st_size > 4096)
    if name:
        subprocess.run(["fallocate", "--punch-hole", "-o", "4096", "-l", "8192", b"./" + name], check=True, cwd=tree.top)
        tree.set_time(name)
        return name


@edit
def fill_a_hole(tree):
    """The same bytes, but no holes any more: written as zeros."""
    name = some_file(tree, lambda status: status.st_size > status.st_blocks * 512)
    if name:
        with open(tree.path(name), "r+b") as file:
            content = file.read()
            file.seek(0)
            file.write(content)
        return name


@edit
def copy_beside(tree):
    """cp(1) `-p`"""
    name = some_file(tree)
    if name:
        subprocess.run(["cp", "-p", "--", tree.path(name), tree.path(tree.new_name())], check=True)
        return name


@edit
def replace_by_equal(tree):
    """Another inode with the same in it, and the same time."""
    name = some_file(tree, alone)
    if name:
        replace_with_equal(tree, name)
        return name


@edit
def folder_made_again(tree):
    """The folder is deleted and made again, equal in all, from other inodes."""
    name = some_folder(tree)
    if name and all(alone(status) or stat.S_ISDIR(status.st_mode) for status in below(tree, name)):
        again_equal(tree, name)
        return name


@beyond_rsync
def folder_with_links_made_again(tree):
    """Links that lead out of the folder are broken by it."""
    name = some_folder(tree)
    if name:
        again_equal(tree, name)
        return name


# --- content that changes behind size and time

@beyond_rsync
def write_and_put_time_back(tree):
    name = some_file(tree, lambda status: status.st_size > 10)
    if name:
        with_time_kept(tree, name, lambda: overwrite(tree, name))
        return name


@beyond_rsync
def punch_and_put_time_back(tree):
    name = some_file(tree, lambda status: status.st_size > 4096)
    if name:
        words = ["fallocate", "--punch-hole", "-o", "0", "-l", "4096", b"./" + name]
        with_time_kept(tree, name, lambda: subprocess.run(words, check=True, cwd=tree.top))
        return name


@beyond_rsync
def delete_and_make_alike(tree):
    """Another file of the same size, time, mode and owner; often with the very inode that became free."""
    name = some_file(tree, lambda status: status.st_size > 10)
    if name:
        status = tree.status(name)
        os.unlink(tree.path(name))
        with open(tree.path(name), "wb") as file:
            file.write(tree.random.randbytes(status.st_size))
        os.chown(tree.path(name), status.st_uid, status.st_gid)
        os.chmod(tree.path(name), stat.S_IMODE(status.st_mode))
        os.utime(tree.path(name), ns=(status.st_atime_ns, status.st_mtime_ns))
        return name


@beyond_rsync
def swap_alike_files(tree):
    """A twin of the same size and time, but other content, and the two change names."""
    name = some_file(tree, lambda status: status.st_size > 10 and alone(status))
    if name:
        twin = tree.new_name()
        copy_exactly(tree, name, twin)
        with_time_kept(tree, twin, lambda: overwrite(tree, twin))
        swap(tree, name, twin)
        return name


@beyond_rsync
def make_twin_folder(tree):
    """A folder as another, but for contents; its files have the same names, sizes and times."""
    name = some_folder(tree)
    if name:
        twin = tree.new_name()
        if (twin + b"/").startswith(name + b"/") or len(below(tree, name)) > 25:
            return None
        copy_exactly(tree, name, twin)
        for file in [file for file in tree.files() if file.startswith(twin + b"/") and tree.status(file).st_size > 10]:
            with_time_kept(tree, file, lambda file=file: overwrite(tree, file))
        tree.twin_folders = (name, twin)
        return name


@beyond_rsync
def swap_twin_folders(tree):
    """Neither time nor inode of any file changes, only which folder is which."""
    name, twin = getattr(tree, "twin_folders", (b"\0", b"\0"))
    if b"\0" not in name and all(os.path.isdir(tree.path(one)) and not os.path.islink(tree.path(one)) for one in (name, twin)):
        swap(tree, name, twin)
        return name

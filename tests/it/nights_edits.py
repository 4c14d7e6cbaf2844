"""The edits of a night: each does one thing that people and programs do to files. Those of their content are in
`nights_contents.py`.

An edit gives the name it worked on, or None where the tree has nothing for it just now.
"""

import os
import stat
import subprocess

SECOND = 10**9
EDITS, BEYOND_RSYNC = [], set()


def edit(function):
    EDITS.append(function)
    return function


def beyond_rsync(function):
    """For edits that plain rsync does not see, or answers with links that the source has not: it goes by size and
    time of modification (rsync(1), DESCRIPTION), and links to what `--link-dest` has under the same name."""
    BEYOND_RSYNC.add(function)
    return edit(function)


def some_file(tree, wanted=lambda status: True):
    names = [name for name in tree.files() if wanted(tree.status(name))]
    return tree.pick(names) if names else None


def some_folder(tree):
    return tree.pick(tree.folders()) if tree.folders() else None


def one_of_several(status):
    return status.st_nlink > 1


def alone(status):
    return status.st_nlink == 1


def with_time_kept(tree, name, change):
    status = tree.status(name)
    change()
    os.utime(tree.path(name), ns=(status.st_atime_ns, status.st_mtime_ns), follow_symlinks=False)


def copy_exactly(tree, name, new):
    """cp(1) `-a`: with owner, times, ACLs and attributes."""
    subprocess.run(["cp", "-a", "--", tree.path(name), tree.path(new)], check=True)


def overwrite(tree, name):
    with open(tree.path(name), "r+b") as file:
        length = tree.status(name).st_size
        at = tree.random.randrange(length - 4)
        file.seek(at)
        file.write(tree.random.randbytes(min(length - at, 40)))


def swap(tree, one, other):
    between = tree.path(one + b".between"[: 255 - len(os.path.basename(one))])
    if os.path.lexists(between):
        between = tree.path(b"between")
    os.rename(tree.path(one), between)
    os.rename(tree.path(other), tree.path(one))
    os.rename(between, tree.path(other))


def below(tree, name):
    return [tree.status(one) for one in tree.names() if one.startswith(name + b"/")]


def replace_with_equal(tree, name):
    new = tree.new_name(os.path.dirname(name))
    copy_exactly(tree, name, new)
    os.rename(tree.path(new), tree.path(name))


def again_equal(tree, name):
    new = tree.new_name(os.path.dirname(name))
    copy_exactly(tree, name, new)
    tree.remove(name)
    os.rename(tree.path(new), tree.path(name))


# --- what comes and goes

@edit
def create(tree):
    name = tree.new_name()
    tree.make_any(name)
    return name


@edit
def create_another(tree):
    return create(tree)


@edit
def delete(tree):
    names = tree.names(lambda status: not stat.S_ISDIR(status.st_mode))
    if names:
        name = tree.pick(names)
        tree.remove(name)
        return name


@edit
def delete_folder(tree):
    name = some_folder(tree)
    if name and tree.random.random() < 0.5:
        tree.remove(name)
        return name


@edit
def rename(tree):
    names = tree.names(lambda status: not stat.S_ISDIR(status.st_mode))
    if names:
        name = tree.pick(names)
        os.rename(tree.path(name), tree.path(tree.new_name()))
        return name


@edit
def rename_over(tree):
    """One file takes the name of another."""
    name, other = some_file(tree, alone), some_file(tree, alone)
    if name and name != other:
        os.rename(tree.path(name), tree.path(other))
        return other


@edit
def rename_folder(tree):
    name = some_folder(tree)
    outside = [folder for folder in [b"", *tree.folders()] if not (folder + b"/").startswith((name or b"") + b"/")]
    if name and outside:
        os.rename(tree.path(name), tree.path(tree.new_name(tree.pick(outside))))
        return name


@edit
def swap_type(tree):
    names = tree.names()
    if names:
        name = tree.pick(names)
        before = stat.S_IFMT(tree.status(name).st_mode)
        tree.remove(name)
        make = [tree.make_file, tree.make_link, tree.make_special, tree.make_folder, tree.make_sparse]
        while not os.path.lexists(tree.path(name)):
            tree.pick(make)(name)
            if stat.S_IFMT(tree.status(name).st_mode) == before:
                tree.remove(name)
        return name


# --- hard links

@edit
def add_link(tree):
    names = tree.names(lambda status: not stat.S_ISDIR(status.st_mode))
    if names:
        name = tree.pick(names)
        os.link(tree.path(name), tree.path(tree.new_name()), follow_symlinks=False)
        return name


@edit
def remove_link(tree):
    name = some_file(tree, one_of_several)
    if name:
        tree.remove(name)
        return name


@beyond_rsync
def break_links(tree):
    """Each of the names gets a file of its own, equal to the others."""
    names = tree.names(lambda status: one_of_several(status) and not stat.S_ISDIR(status.st_mode))
    if names:
        name = tree.pick(names)
        inode = tree.status(name).st_ino
        for one in tree.names(lambda status: status.st_ino == inode):
            replace_with_equal(tree, one)
        return name


@edit
def join_equal(tree):
    """Two files apart, equal in all, become one."""
    name = some_file(tree, alone)
    if name:
        twin = tree.new_name()
        copy_exactly(tree, name, twin)
        tree.twins = (name, twin)
        return name


@edit
def join_twins(tree):
    name, twin = getattr(tree, "twins", (b"\0", b"\0"))
    if b"\0" not in name and all(os.path.isfile(tree.path(one)) and not os.path.islink(tree.path(one)) for one in (name, twin)):
        tree.twins = (b"\0", b"\0")
        os.unlink(tree.path(twin))
        os.link(tree.path(name), tree.path(twin))
        return twin


# --- what is known of a file, but not its content

@edit
def change_mode(tree):
    names = tree.names(lambda status: not stat.S_ISLNK(status.st_mode))
    if names:
        name = tree.pick(names)
        os.chmod(tree.path(name), tree.pick([0o600, 0o644, 0o755, 0o4711, 0o2750, 0o1777, 0o000]))
        return name


@edit
def change_owner(tree):
    if tree.names():
        name = tree.pick(tree.names())
        tree.own(name)
        return name


@edit
def change_acl(tree):
    name = tree.pick([some_file(tree), some_folder(tree)])
    if name:
        if tree.random.random() < 0.3:
            subprocess.run(["setfacl", "-b", b"./" + name], check=True, cwd=tree.top)
        else:
            tree.set_acl(name)
        return name


@edit
def change_attribute(tree):
    name = tree.pick([some_file(tree), some_folder(tree)])
    if name:
        tree.set_attribute(name)
        return name


@edit
def remove_attribute(tree):
    for name in [some_file(tree) for _ in range(10)]:
        for key in os.listxattr(tree.path(name)) if name else []:
            if key.startswith(("user.", "trusted.", "security.capability")):
                os.removexattr(tree.path(name), key)
                return name


@edit
def set_capability(tree):
    name = some_file(tree)
    if name:
        tree.set_capability(name)
        return name


@edit
def only_the_time(tree):
    if tree.names():
        name = tree.pick(tree.names())
        moment = tree.status(name).st_mtime_ns
        tree.set_time(name, tree.pick([moment + 1, moment - 1, moment + SECOND, moment - 86_400 * SECOND, moment + 3_600 * SECOND]))
        return name


@edit
def only_a_folder(tree):
    """Its time, mode or owner; nothing in it."""
    name = tree.pick([b"", *tree.folders()])
    tree.pick([lambda: tree.set_time(name), lambda: tree.own(name), lambda: os.chmod(tree.path(name), tree.pick([0o700, 0o755, 0o1775]))])()
    return name or b"."


@edit
def only_the_time_of_change(tree):
    """Nothing in the end, but ctime tells of it."""
    name = some_file(tree)
    if name:
        mode = stat.S_IMODE(tree.status(name).st_mode)
        os.chmod(tree.path(name), mode ^ 0o100)
        os.chmod(tree.path(name), mode)
        return name


@edit
def point_elsewhere(tree):
    """A link whose target changes, its length and time do not."""
    names = tree.names(lambda status: stat.S_ISLNK(status.st_mode) and alone(status))
    if names:
        name = tree.pick(names)
        status, length = tree.status(name), len(os.readlink(tree.path(name)))
        os.unlink(tree.path(name))
        os.symlink(tree.pick([b"y", b"z"]) * length, tree.path(name))
        os.utime(tree.path(name), ns=(status.st_atime_ns, status.st_mtime_ns), follow_symlinks=False)
        return name

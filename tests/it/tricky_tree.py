"""Makes a tree with everything a Linux file system can hold, and changes it from night to night.

tricky_tree.py make FOLDER [plain]      "plain" leaves out what only the superuser can make or read
tricky_tree.py night N FOLDER           the edits of night N, from 1
"""

import os
import shutil
import socket
import stat
import subprocess
import sys

TREE = os.fsencode(sys.argv[-1] if sys.argv[-1] != "plain" else sys.argv[-2])
PLAIN = sys.argv[-1] == "plain"
UNNAMED = 54321

# names that rsync, tar, a shell or a reader of lines could misread
NAMES = [
    b"newline\nin it", b"tab\tin it", b"\xff\xfe not utf-8", b"-leading-dash", b"--delete", b"star*", b"open[bracket",
    b"[ab]", b"back\\slash", b"back\\#012slash", b"#hash#", b" space before", b"space after ", b"x" * 255, b"'quotes'\"",
    b"$(touch x)`touch y`;&|", b"question?", b"tilde~", b"~", b"\x01\x1b[31mred", b"\r", b"a:b", b"caf\xc3\xa9",
    b"Number of files: 9", b"Total transferred file size: 999,999 bytes", b"*deleting   0 1970-01-01 x",
    b">f+++++++++ 4 2026-11-25-09-48-13 x", b"      1,234,567  12%    3.91kB", b"%i %n", b"a -> b", b"...", b".hidden", b"user@host:path",
]


def path(*parts):
    return os.path.join(TREE, *parts)


def write(name, content, mode=0o644):
    with open(path(name), "wb") as file:
        file.write(content)
    os.chmod(path(name), mode)


def sparse(name, parts, length):
    with open(path(name), "wb") as file:
        for at, content in parts:
            file.seek(at)
            file.write(content)
        file.truncate(length)


def run(*words):
    subprocess.run(words, check=True)


def make():
    os.makedirs(TREE, exist_ok=True)
    names_and_links()
    contents()
    attributes()
    if not PLAIN:
        for_the_superuser()
    old_times()


def names_and_links():
    os.mkdir(path(b"names"))
    for name in NAMES:
        write(b"names/" + name, name)
        os.mkdir(path(b"names", b"d" + name[:254]))
        write(os.path.join(b"names", b"d" + name[:254], name[:200]), b"within")
    for name, target in [
        (b"dangling", b"no/such/place"), (b"absolute", b"/etc/passwd"), (b"up", b"../../../.."), (b"itself", b"itself"),
        (b"newline", b"a\nb\xff"), (b"long", b"l" * 3000), (b"arrow", b"x -> y"), (b"to-folder", b"names"), (b"space", b" "),
    ]:
        os.symlink(target, path(b"link-" + name))
    deep = TREE
    for level in range(60):
        deep = os.path.join(deep, b"level-%02d" % level)
        os.mkdir(deep)
    with open(os.path.join(deep, b"bottom"), "wb") as file:
        file.write(b"deep")
    os.makedirs(path(b"empty", b"within"))
    write(b"linked-1", b"one inode, three names")
    os.mkdir(path(b"elsewhere"))
    os.link(path(b"linked-1"), path(b"linked-2"))
    os.link(path(b"linked-1"), path(b"elsewhere", b"linked-3"))
    os.symlink(b"twice", path(b"soft-1"))
    os.link(path(b"soft-1"), path(b"soft-2"), follow_symlinks=False)


def contents():
    write(b"glaze.txt", b"feldspar 40, silica 30, ash 30\n" * 200)
    write(b"nothing", b"")
    write(b"random", os.urandom(300_000))
    sparse(b"hole-between", [(0, b"start"), (6_000_000, b"end")], 6_000_003)
    sparse(b"all-hole", [], 9_000_000)
    sparse(b"hole-at-end", [(0, b"start" * 2000)], 8_000_000)
    write(b"zeros", bytes(2_000_000))


def attributes():
    for number, mode in enumerate([0o000, 0o200, 0o444, 0o711, 0o4755, 0o2755, 0o6750, 0o1644]):
        write(b"mode-%d" % number, b"mode %o" % mode, mode)
    for number, mode in enumerate([0o700, 0o1777, 0o2775, 0o555]):
        os.mkdir(path(b"folder-mode-%d" % number))
        write(b"folder-mode-%d/file" % number, b"within")
        os.chmod(path(b"folder-mode-%d" % number), mode)
    write(b"with-acl", b"acl")
    run("setfacl", "-m", "u:%d:rw,u:daemon:r,g:1234:r,m:rw" % UNNAMED, path(b"with-acl"))
    os.mkdir(path(b"folder-acl"))
    run("setfacl", "-m", "u:%d:rwx,d:u:%d:rwx,d:g:1234:rx,d:o:-" % (UNNAMED, UNNAMED), path(b"folder-acl"))
    write(b"folder-acl/heir", b"inherits")
    write(b"with-attributes", b"xattr")
    os.setxattr(path(b"with-attributes"), b"user.studio.note", b"kiln 3\x00\xff\nnext")
    os.setxattr(path(b"with-attributes"), b"user.empty", b"")
    os.setxattr(path(b"with-attributes"), b"user.long", b"v" * 1000)
    os.setxattr(path(b"empty"), b"user.on-a-folder", b"yes")


def for_the_superuser():
    os.mknod(path(b"null"), stat.S_IFCHR | 0o666, os.makedev(1, 3))
    os.mknod(path(b"disk"), stat.S_IFBLK | 0o660, os.makedev(250, 70000))
    os.mkfifo(path(b"fifo"), 0o640)
    os.chown(path(b"disk"), 0, 6)
    with socket.socket(socket.AF_UNIX) as bound:
        here = os.getcwd()
        os.chdir(TREE)
        bound.bind("socket")
        os.chdir(here)
    write(b"owned", b"by a number")
    os.chown(path(b"owned"), UNNAMED, UNNAMED + 1)
    write(b"owned-setuid", b"by a number", 0o755)
    os.chown(path(b"owned-setuid"), UNNAMED, UNNAMED)
    os.chmod(path(b"owned-setuid"), 0o6755)
    os.mkdir(path(b"owned-folder"))
    os.chown(path(b"owned-folder"), 2_000_000_000, 2_000_000_001)
    os.lchown(path(b"link-dangling"), UNNAMED, UNNAMED)
    os.setxattr(path(b"with-attributes"), b"trusted.studio", b"for root only")
    os.setxattr(path(b"link-up"), b"trusted.on-a-link", b"yes", follow_symlinks=False)
    write(b"capable", b"\x7fELF no", 0o755)
    run("setcap", "cap_net_bind_service+ep", path(b"capable"))


def old_times():
    """Nanoseconds, before 1970 and after 2038, on everything that is there; folders last."""
    moment = 1_600_000_000_123_456_789
    for at, folders, files in os.walk(TREE, topdown=False):
        for name in sorted(files + folders):
            moment += 1_111_111_111
            os.utime(os.path.join(at, name), ns=(moment, moment), follow_symlinks=False)
    for name, seconds in [(b"zeros", -86_400), (b"nothing", 5_000_000_000), (b"random", 0)]:
        os.utime(path(name), ns=(0, seconds * 10**9 + 5))


def night(number):
    if number == 1:
        write(b"new file", b"made on the first night")
        os.rename(path(b"glaze.txt"), path(b"glazes-of-1999.txt"))
        shutil.rmtree(path(b"elsewhere"))
        os.chmod(path(b"mode-3"), 0o640)
        run("setfacl", "-m", "u:4242:r", path(b"with-acl"))
        with open(path(b"random"), "r+b") as file:
            file.seek(1000)
            file.write(b"changed in the middle")
        os.utime(path(b"nothing"), ns=(7, 7))
    elif number == 2:
        swap_types()
        os.link(path(b"random"), path(b"random-again"))
        os.unlink(path(b"linked-2"))
        os.removexattr(path(b"with-attributes"), b"user.empty")
        os.setxattr(path(b"with-attributes"), b"user.studio.note", b"same length...")
        run("setfacl", "-b", path(b"folder-acl"))
        if not PLAIN:
            os.chown(path(b"owned"), 77, 78)
            run("setcap", "-r", path(b"capable"))
            os.unlink(path(b"disk"))
            os.mknod(path(b"disk"), stat.S_IFBLK | 0o660, os.makedev(251, 1))
    elif number == 3:
        same_size_and_time_but_for_nanoseconds()
        os.rename(path(b"names"), path(b"names of old"))
        os.unlink(path(b"random-again"))
        sparse(b"all-hole", [(4_000_000, b"filled")], 9_000_000)
        os.unlink(path(b"link-long"))
        os.symlink(b"short", path(b"link-long"))


def swap_types():
    """A file becomes a folder, a folder a link, a link a file, and so on round."""
    os.unlink(path(b"mode-2"))
    os.mkdir(path(b"mode-2"))
    write(b"mode-2/was a file", b"x")
    shutil.rmtree(path(b"folder-mode-0"))
    os.symlink(b"was a folder", path(b"folder-mode-0"))
    os.unlink(path(b"link-up"))
    write(b"link-up", b"was a link")
    shutil.rmtree(path(b"empty"))
    write(b"empty", b"was a folder")
    os.unlink(path(b"link-arrow"))
    os.mkdir(path(b"link-arrow"))


def same_size_and_time_but_for_nanoseconds():
    seconds = os.stat(path(b"new file")).st_mtime_ns // 10**9
    os.utime(path(b"new file"), ns=(0, seconds * 10**9 + 1))


if sys.argv[1] == "make":
    make()
else:
    night(int(sys.argv[2]))

"""Compares a tar stream, as Python's tarfile reads it, with the tree it was made of.

read_archive.py SOURCE < archive.tar
"""

import decimal
import hashlib
import os
import stat
import sys
import tarfile

SOURCE = os.fsencode(sys.argv[1])
TYPES = {
    tarfile.DIRTYPE: stat.S_IFDIR, tarfile.SYMTYPE: stat.S_IFLNK, tarfile.CHRTYPE: stat.S_IFCHR,
    tarfile.BLKTYPE: stat.S_IFBLK, tarfile.FIFOTYPE: stat.S_IFIFO,
}


def main():
    seen = set()
    with tarfile.open(fileobj=sys.stdin.buffer, mode="r|", errors="surrogateescape", encoding="utf-8") as archive:
        for member in archive:
            there = b"/" + os.fsencode(member.name)
            seen.add(there)
            compare(archive, member, there, os.lstat(there))
    for at, folders, files in os.walk(SOURCE):
        for name in folders + files:
            there = os.path.join(at, name)
            if there not in seen and not stat.S_ISSOCK(os.lstat(there).st_mode):
                print(repr(there), "is not in the archive")
    print(len(seen), "members", file=sys.stderr)


def compare(archive, member, there, status):
    def same(what, a, b):
        if a != b:
            print(repr(there), what, a, b)

    same("type", TYPES.get(member.type, stat.S_IFREG if not member.islnk() else stat.S_IFMT(status.st_mode)), stat.S_IFMT(status.st_mode))
    if not member.issym():
        same("mode", member.mode, stat.S_IMODE(status.st_mode))
    same("uid", member.uid, status.st_uid)
    same("gid", member.gid, status.st_gid)
    if there.startswith(SOURCE):
        written = decimal.Decimal(member.pax_headers.get("mtime", str(int(member.mtime))))
        same("mtime", int(written * 10**9), status.st_mtime_ns)
    if member.issym():
        same("target", os.fsencode(member.linkname), os.readlink(there))
    if member.islnk():
        same("inode", os.lstat(b"/" + os.fsencode(member.linkname)).st_ino, status.st_ino)
    if member.ischr() or member.isblk():
        same("device", (member.devmajor, member.devminor), (os.major(status.st_rdev), os.minor(status.st_rdev)))
    if member.isreg():
        same("length", member.size, status.st_size)
        with open(there, "rb") as file:
            same("hash", digest(archive.extractfile(member)), digest(file))


def digest(file):
    found = hashlib.sha256()
    while chunk := file.read(1 << 20):
        found.update(chunk)
    return found.hexdigest()


main()

"""A small random tree with everything a Linux file system can hold, to be edited from night to night."""

import os
import random
import shutil
import socket
import stat
import struct
import subprocess

SECOND = 10**9
ODD_NAMES = [
    b"newline\nin it", b"tab\tin it", b"\xff\xfe", b"-leading", b"star*", b"[ab]", b"back\\slash", b"\\#012", b"#hash", b" before", b"after ",
    b"$(touch x)`y`;&|", b"question?", b"~", b"\x01\x1b[31m", b"\r", b"a:b", b"caf\xc3\xa9", b"...", b".hidden", b"a=b", b"'quotes'\"", b"a -> b",
    b"%i %n", b"*deleting   x",
]
OWNERS = [0, 0, 0, 1, 1000, 54321, 2_000_000_000]
MODES = [0o644, 0o644, 0o600, 0o640, 0o755, 0o000, 0o444, 0o4755, 0o2755, 0o6711, 0o1644, 0o666]
FOLDER_MODES = [0o755, 0o755, 0o700, 0o2775, 0o1777, 0o555, 0o711]
# struct vfs_cap_data (linux/capability.h), revision 2: cap_net_bind_service, then cap_chown, permitted and effective
CAPABILITIES = [struct.pack("<IIIII", 0x02000001, bits, 0, 0, 0) for bits in (1 << 10, 1)]


class Tree:
    """The folder, and the chance that everything in it comes from."""

    def __init__(self, top, seed):
        self.top, self.random = os.fsencode(top), random.Random(seed)
        self.made = 0

    def path(self, name):
        return os.path.join(self.top, name) if name else self.top

    def pick(self, what):
        return self.random.choice(what)

    def names(self, wanted=lambda status: True):
        """Every path below the top of which `wanted` holds, sorted, so that a seed gives the same tree again."""
        found, pending = [], [b""]
        while pending:
            folder = pending.pop()
            for entry in os.listdir(self.path(folder)):
                name = os.path.join(folder, entry)
                status = os.lstat(self.path(name))
                if wanted(status):
                    found.append(name)
                if stat.S_ISDIR(status.st_mode):
                    pending.append(name)
        return sorted(found)

    def files(self):
        return self.names(lambda status: stat.S_ISREG(status.st_mode))

    def folders(self):
        return self.names(lambda status: stat.S_ISDIR(status.st_mode))

    def status(self, name):
        return os.lstat(self.path(name))

    # --- names and contents

    def new_name(self, folder=None):
        """A name that is not there yet, in a folder that is."""
        if folder is None:
            folder = self.pick([b"", *self.folders()])
        while True:
            self.made += 1
            number = b"%d" % self.made
            kind = self.random.randrange(20)
            if kind < 9:
                entry = b"pot-" + number
            elif kind < 16:
                entry = self.pick(ODD_NAMES) + number
            elif kind == 16:
                entry = number.rjust(255, b"x")
            elif kind == 17:
                entry = self.random.randbytes(self.random.randrange(1, 40)).replace(b"/", b"_").replace(b"\0", b"_") + number
            else:
                # what the job leaves out
                entry = self.pick([number + b".tmp", b"cache"])
            name = os.path.join(folder, entry)
            if len(self.path(name)) < 3000 and not os.path.lexists(self.path(name)):
                return name

    def content(self):
        kind = self.random.randrange(10)
        length = 0 if kind == 0 else self.random.randrange(1, 300) if kind < 7 else self.random.randrange(1, 60_000)
        return self.random.randbytes(length)

    def moment(self):
        """Nanoseconds since 1970: also before, after 2038, and whole seconds."""
        seconds = self.pick([self.random.randrange(1_500_000_000, 1_790_000_000), -self.random.randrange(1, 900_000_000), 5_000_000_000, 0])
        return seconds * SECOND + self.pick([0, 1, 999_999_999, self.random.randrange(SECOND)])

    def set_time(self, name, moment=None):
        moment = self.moment() if moment is None else moment
        os.utime(self.path(name), ns=(moment, moment), follow_symlinks=False)

    # --- what can be made

    def make_file(self, name):
        with open(self.path(name), "wb") as file:
            file.write(self.content())
        os.chmod(self.path(name), self.pick(MODES))

    def make_sparse(self, name):
        with open(self.path(name), "wb") as file:
            for _ in range(self.random.randrange(3)):
                file.seek(self.random.randrange(4_000_000))
                file.write(self.random.randbytes(self.random.randrange(1, 5000)))
            file.truncate(self.random.randrange(2_000_000, 5_000_000))

    def make_link(self, name):
        os.symlink(self.pick([b"no/such/place", b"/etc/passwd", b"..", b"a\nb\xff", b"l" * 900, self.pick(self.names() or [b"x"])[:900]]), self.path(name))

    def make_special(self, name):
        kind = self.random.randrange(4)
        if kind == 0:
            os.mkfifo(self.path(name), 0o640)
        elif kind == 1:
            self.make_socket(name)
        else:
            mode = self.pick([stat.S_IFCHR, stat.S_IFBLK]) | 0o660
            os.mknod(self.path(name), mode, os.makedev(self.random.randrange(1, 250), self.random.randrange(70000)))

    def make_socket(self, name):
        here = os.getcwd()
        os.chdir(self.path(os.path.dirname(name)))
        try:
            with socket.socket(socket.AF_UNIX) as bound:
                # the address of a socket is short (unix(7)): bound by a short name, then given its own
                bound.bind("new-socket")
            os.rename("new-socket", os.path.basename(name))
        finally:
            os.chdir(here)

    def make_folder(self, name, depth=0):
        os.mkdir(self.path(name))
        for _ in range(self.random.randrange(5)):
            self.make_any(self.new_name(name), depth + 1)
        os.chmod(self.path(name), self.pick(FOLDER_MODES))

    def make_any(self, name, depth=0):
        kind = self.random.randrange(20)
        if os.path.basename(name) == b"cache" or (kind < 5 and depth < 4):
            self.make_folder(name, depth)
        elif kind < 14:
            self.make_file(name)
        elif kind == 14:
            self.make_sparse(name)
        elif kind < 17:
            self.make_link(name)
        elif kind < 19:
            self.make_special(name)
        elif self.files():
            os.link(self.path(self.pick(self.files())), self.path(name))
        else:
            self.make_file(name)
        self.adorn(name)

    def adorn(self, name):
        """Now and then an owner, an ACL, attributes, capabilities; and nearly always a time of its own."""
        status = self.status(name)
        if self.random.random() < 0.2:
            self.own(name)
        if stat.S_ISREG(status.st_mode) or stat.S_ISDIR(status.st_mode):
            if self.random.random() < 0.15:
                self.set_acl(name)
            if self.random.random() < 0.15:
                self.set_attribute(name)
        if stat.S_ISREG(status.st_mode) and self.random.random() < 0.1:
            self.set_capability(name)
        if self.random.random() < 0.9:
            self.set_time(name)

    def own(self, name):
        mode = stat.S_IMODE(self.status(name).st_mode)
        os.chown(self.path(name), self.pick(OWNERS), self.pick(OWNERS), follow_symlinks=False)
        if not stat.S_ISLNK(self.status(name).st_mode):
            # chown(2) takes setuid and setgid away
            os.chmod(self.path(name), mode)

    def set_acl(self, name):
        entries = "u:%d:%s,g:1234:%s" % (self.pick([1, 54321, 4242]), self.pick(["r", "rw", "rwx", "-"]), self.pick(["r", "x", "-"]))
        if stat.S_ISDIR(self.status(name).st_mode) and self.random.random() < 0.7:
            entries += ",d:u:%d:%s,d:g:1234:rx" % (self.pick([1, 54321]), self.pick(["rwx", "rx"]))
        subprocess.run(["setfacl", "-m", entries, "--", os.path.join(b"./", os.path.relpath(self.path(name), self.top))], check=True, cwd=self.top)

    def set_attribute(self, name):
        key = self.pick([b"user.studio.note", b"user.empty", b"user.\xc3\xa9", b"trusted.studio"])
        value = self.pick([b"", b"kiln 3\x00\xff\nnext", b"same length", b"same lengtH", self.random.randbytes(600)])
        os.setxattr(self.path(name), key, value)

    def set_capability(self, name):
        os.setxattr(self.path(name), b"security.capability", self.pick(CAPABILITIES))

    def make(self, entries):
        os.makedirs(self.top, exist_ok=True)
        while len(self.names()) < entries:
            self.make_any(self.new_name())
        for folder in [*self.folders(), b""]:
            if self.random.random() < 0.7:
                self.set_time(folder)

    def remove(self, name):
        if stat.S_ISDIR(self.status(name).st_mode):
            shutil.rmtree(self.path(name))
        else:
            os.unlink(self.path(name))

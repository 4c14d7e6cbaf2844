"""Drives on loop devices: an image that takes no more room than is written, a file system, a mount."""

import os
import subprocess

# inodes for many small files; xfs and btrfs make theirs as they go
MAKE = {
    "ext4": ["mkfs.ext4", "-q", "-F", "-b", "4096", "-i", "4096", "-E", "lazy_itable_init=0,lazy_journal_init=0"],
    "xfs": ["mkfs.xfs", "-q", "-f"],
    "btrfs": ["mkfs.btrfs", "-q", "-f"],
}


def run(*words, **more):
    return subprocess.run(words, check=True, stdin=subprocess.DEVNULL, **more)


class Drive:
    """Without the page cache of the image's own file system in between (losetup(8), `--direct-io`)."""

    def __init__(self, folder, name, kind, size):
        self.kind, self.path, self.image = kind, os.path.join(folder, name), os.path.join(folder, name + ".img")
        os.makedirs(self.path, exist_ok=True)
        self.device = None
        with open(self.image, "wb") as file:
            file.truncate(size)
        self.attach()

    def attach(self):
        self.device = run("losetup", "--find", "--show", "--direct-io=on", self.image, capture_output=True, text=True).stdout.strip()

    def make(self):
        """An empty file system, in place of what is there."""
        self.unmount()
        run(*MAKE[self.kind], self.device, stdout=subprocess.DEVNULL)
        run("mount", "-o", "noatime", self.device, self.path)

    def unmount(self):
        if os.path.ismount(self.path):
            run("umount", self.path)

    def remove(self):
        """Also when half of it was never made."""
        if os.path.ismount(self.path):
            subprocess.run(["umount", self.path], check=False)
        if self.device:
            subprocess.run(["losetup", "--detach", self.device], check=False)
            self.device = None
        if os.path.exists(self.image):
            os.unlink(self.image)

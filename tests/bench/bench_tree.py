"""The source: a tree of many small files, as people's folders are, and its changes."""

import os
import random

MEDIAN, LARGEST, SIGMA = 4096, 1 << 20, 1.2
A_FOLDER_HOLDS = range(10, 51)
# of a hundred entries
LINKS, HARD_LINKS = 2, 2


class BenchTree:
    def __init__(self, top, files, seed=1):
        self.top, self.count, self.random = top, files, random.Random(seed)
        # any bytes will do, as long as no two files are alike and none is all zeros
        self.noise = self.random.randbytes(2 * LARGEST)
        self.files = []
        self.bytes = 0

    def content(self):
        length = min(int(self.random.lognormvariate(0, SIGMA) * MEDIAN) + 1, LARGEST)
        at = self.random.randrange(LARGEST)
        return self.noise[at : at + length]

    def make(self):
        made, folders = 0, [self.top]
        while made < self.count:
            parent = self.random.choice(folders[-50:])
            folder = os.path.join(parent, f"folder {len(folders)}")
            if folder.count("/") - self.top.count("/") > 8:
                folder = os.path.join(self.top, f"folder {len(folders)}")
            os.mkdir(folder)
            folders.append(folder)
            for _ in range(min(self.random.choice(A_FOLDER_HOLDS), self.count - made)):
                self.make_entry(folder, made)
                made += 1
        return self

    def make_entry(self, folder, number):
        path, kind = os.path.join(folder, f"photograph-{number}.jpg"), self.random.randrange(100)
        if kind < LINKS:
            os.symlink(f"photograph-{number - 1}.jpg", path)
        elif kind < LINKS + HARD_LINKS and self.files:
            os.link(self.random.choice(self.files[-1000:]), path)
        else:
            self.write(path)
            self.files.append(path)

    def write(self, path):
        content = self.content()
        self.bytes += len(content)
        with open(path, "wb") as file:
            file.write(content)

    def change(self, share):
        """That part of the files gets another content."""
        for path in self.random.sample(self.files, max(1, int(self.count * share))):
            self.write(path)

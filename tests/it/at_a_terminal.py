"""Runs a command at a terminal of its own and types a line each time it asks for one.

at_a_terminal.py LINE COMMAND...        standard output stays where it is; what is asked goes to standard error
"""

import os
import pty
import sys
import time

line, command = sys.argv[1], sys.argv[2:]
out = os.dup(1)
child, terminal = pty.fork()
if child == 0:
    os.dup2(out, 1)
    os.execvp(command[0], command)
shown = b""
while True:
    try:
        chunk = os.read(terminal, 4096)
    except OSError:  # the terminal is closed with its last process
        break
    if not chunk:
        break
    os.write(2, chunk)
    shown += chunk
    if b"assphrase" in shown and shown.rstrip().endswith(b":"):
        shown = b""
        time.sleep(0.3)  # nobody types before the program has stopped showing what is typed
        os.write(terminal, line.encode() + b"\n")
_, status = os.waitpid(child, 0)
sys.exit(os.waitstatus_to_exitcode(status))

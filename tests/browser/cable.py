"""Two pseudo terminals and a cable between them: prints both names, and pumps until its standard input ends."""
import os
import pty
import select
import sys
import tty

masters = []
for _ in range(2):
    master, slave = pty.openpty()
    tty.setraw(slave)
    masters.append(master)
    print(os.ttyname(slave), flush=True)

near, far = masters
while True:
    ready, _, _ = select.select([near, sys.stdin], [], [])
    if sys.stdin in ready:
        break
    os.write(far, os.read(near, 65536))

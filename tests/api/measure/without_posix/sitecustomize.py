"""Takes away what only POSIX systems have, as far as our own code could use it.

pyserial and asyncio choose by the name of the system, and have ways of their own on others: they are loaded
first and keep what they need.
"""

import asyncio
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile

import serial
import serial.rfc2217
import serial.tools.list_ports

keep = (asyncio, subprocess, tempfile, serial)
local = socket.AF_UNIX
pair = socket.socketpair
socket.socketpair = lambda family=None, *rest, **named: pair(local, *rest, **named)
del socket.AF_UNIX
for name in ("fcntl", "termios", "pty", "tty", "grp", "pwd", "resource", "uvloop"):
    sys.modules[name] = None
for module, names in (
    (
        os,
        ("openpty", "ttyname", "nice", "set_blocking", "geteuid", "getgroups", "major", "minor", "O_CLOEXEC"),
    ),
    (select, ("poll", "epoll")),
    (signal, ("SIGHUP", "SIGKILL")),
    (asyncio, ("open_unix_connection", "start_unix_server")),
):
    for name in names:
        if hasattr(module, name):
            delattr(module, name)

"""The real my_jar.py with the scene's "jar" values in place of its own."""

import os

import machine

with open(os.getenv("JAR_FIRMWARE") + "/my_jar.py") as file:
    exec(file.read())
for name, value in machine.scene["jar"].items():
    assert name in globals(), name
    globals()[name] = value

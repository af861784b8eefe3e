"""How fast and how frugal the program is: `python -m bench`.

Speed depends on the machine, so each figure of speed is a ratio to something measured in the same run.
"""

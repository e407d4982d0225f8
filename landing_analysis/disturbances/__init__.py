"""What disturbs a clip, and what that does to its numbers.

Each module knows one disturbance and says all it does as one `Effect`; `applying` applies the
effects of all of them. A new disturbance is a new module here and a line in `stages/finding.py`.
"""

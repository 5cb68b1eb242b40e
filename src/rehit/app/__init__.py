"""The local page: from a log to a report, a day's run sheets and a bid, without a terminal.

It runs the same commands on the same project folder as the command line, each as a process of its
own, and reads what they wrote. It is bound to this machine and loads nothing from elsewhere.
"""

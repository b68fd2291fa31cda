"""Keeping: what comes into the archive, is found in it, checked, copied and handed out.

``keep`` puts records in, ``checked`` looks over every byte, ``copies`` makes and takes
back a copy, ``bundle`` is one run to hand out, ``day`` the page at a day's end.
"""

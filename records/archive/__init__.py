"""The archive: a folder of write-once files, its signed chain, and a derived index.

``files`` puts bytes in place for good, ``entry`` is a line of the chain, ``chain`` the
folder with its chain and head, ``index`` the database that finds things in it. The
index holds nothing that is not in the folder. Told in ``docs/archive.md``.
"""

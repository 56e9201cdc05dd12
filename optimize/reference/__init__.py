"""The reference of every file that is read: keys, units, ranges, defaults and a whole example.

Made from the schemas that read the files, so that it cannot drift from them.
"""

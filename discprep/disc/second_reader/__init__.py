"""A second reading of an image, by a library that shares no code with the writer and its check: pycdlib.

    reader   starts it, and compares what it sees with what was laid out
    process  runs in a process of its own, and alone imports the library
"""

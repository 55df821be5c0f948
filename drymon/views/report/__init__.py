"""The shell's record to keep: gathered from the store, put into words once, written as one HTML page and as a PDF."""

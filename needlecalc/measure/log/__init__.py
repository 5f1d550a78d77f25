"""The log reader: what a logger wrote, as one table with every row's fate."""

"""The log reader: what a logger wrote, as one table every row of it accounted for."""

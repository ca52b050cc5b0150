"""The standard set of measurements of any system; :func:`bench` runs it and returns a report.

What is sent is the table :data:`STANDARD_SET`. Each row is sent once per seed and read for all that it can tell.
"""

from measure.report import Report
from measure.standard_set.measuring import bench
from measure.standard_set.rows import LEVELS_DBFS, STANDARD_SET, Row

__all__ = ["LEVELS_DBFS", "STANDARD_SET", "Report", "Row", "bench"]

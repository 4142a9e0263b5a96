"""One module a page of the report: result objects in, a `Section` of tables and drawings out.

The same sections are what the single commands print and write.
"""

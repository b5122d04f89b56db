"""Tables as people keep them, CSV or XLSX: read within limits, recognised by meaning, turned into rows."""

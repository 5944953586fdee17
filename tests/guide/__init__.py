"""The guide: what its pages say is so."""

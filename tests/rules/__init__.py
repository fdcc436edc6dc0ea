"""Each rule against its named cases."""

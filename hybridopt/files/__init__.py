"""Files in and out: atomic writing, CSV tables, NetCDF with a checksum."""

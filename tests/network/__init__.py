"""A bad network of the suite's own: two network namespaces and a relay between two TUN devices."""

"""The JSON twin of every place, one module a resource."""

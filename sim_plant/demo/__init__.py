"""The bundled site, an invented seedling nursery; also the example to copy."""

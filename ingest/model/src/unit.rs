//! Engineering units by name, with conversion between units of one quantity.

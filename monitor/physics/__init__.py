"""What air, water, steel and gas do, as pure functions on floats and arrays; nothing here reads or writes."""

"""Normal impact on a rigid barrier."""

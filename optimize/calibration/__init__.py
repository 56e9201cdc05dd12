"""The model pulled onto the lab's measurements, and the next prototypes."""

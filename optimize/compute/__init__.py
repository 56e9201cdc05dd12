"""Who computes a batch of builds: this process, several, or a cluster."""

"""What lies between a true value and a wire: instruments, contacts, and what faults do to both."""

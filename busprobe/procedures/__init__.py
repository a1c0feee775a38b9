"""What a technician does on a bus, each as one async function that awaits only the bus."""

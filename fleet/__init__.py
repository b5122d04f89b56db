"""Facts: sites, people, rooms, air, instruments, services, bookings and requests."""

"""What people read: the water account as text, tables and pages."""

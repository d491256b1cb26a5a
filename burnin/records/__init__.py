"""Values only: what is measured, asked, found and decided. Nothing here touches a machine, a clock or a database."""

"""Every sentence, spoken or printed."""

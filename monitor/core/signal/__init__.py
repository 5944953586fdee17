"""Signal processing of one level series, before anything is known of feedings or cycles."""

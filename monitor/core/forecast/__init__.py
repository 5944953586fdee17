"""What is learnt of a starter (`starter_model`), and when its peak and fall will come (`peak_time`)."""

"""Is a starter fit to bake with (`vigour`), what to do about it (`remedies`), how do jars compare (`trial`)?"""

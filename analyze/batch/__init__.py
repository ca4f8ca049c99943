"""Many sound checks: found below folders, analysed each by itself, summed up."""

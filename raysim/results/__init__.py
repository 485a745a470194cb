"""The data that came out and its file: the only place that knows h5py."""

//! Geometry, seek curve and rotation: pure functions of arm state, access and moment.

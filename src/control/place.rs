//! Owns where the control socket of an image lies: beside it, under its name with an ending.
//!
//! The same for whoever serves the image and for whoever looks for its server. Links are followed
//! first, so that all names of an image lead to one socket.

use std::io;
use std::os::unix::fs::FileTypeExt;
use std::path::{Path, PathBuf};

/// What is added to the name of an image.
const ENDING: &str = ".control";

/// The socket of the image at `image`, which must exist.
pub fn socket_of(image: &Path) -> io::Result<PathBuf> {
    let mut name = image.canonicalize()?.into_os_string();
    name.push(ENDING);
    Ok(name.into())
}

/// The socket that is meant by the path of an image or of a socket.
pub fn socket_meant_by(path: &Path) -> io::Result<PathBuf> {
    if std::fs::metadata(path)?.file_type().is_socket() {
        return Ok(path.to_owned());
    }
    socket_of(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_names_of_an_image_and_the_socket_itself_lead_to_one_socket() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path().canonicalize().unwrap();
        let (image, link) = (folder.join("disk.img"), folder.join("link"));
        std::fs::write(&image, "").unwrap();
        std::os::unix::fs::symlink("disk.img", &link).unwrap();
        let socket = folder.join("disk.img.control");
        assert_eq!(socket_of(&link).unwrap(), socket);
        assert_eq!(socket_meant_by(&image).unwrap(), socket);
        let _listener = std::os::unix::net::UnixListener::bind(&socket).unwrap();
        assert_eq!(socket_meant_by(&socket).unwrap(), socket);
        let missing = socket_of(&folder.join("nothing")).unwrap_err();
        assert_eq!(missing.kind(), io::ErrorKind::NotFound);
    }
}

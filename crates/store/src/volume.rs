//! What the store stands on: how much room is left, and whether the disk is another machine's.
//!
//! Source: file system numbers of `linux/magic.h` and of the `statfs(2)` manual page.
//! Limits: asked on Linux only, elsewhere nothing is known. File systems in user space (FUSE) may
//!         be anything and are taken for local, as are shares of a virtual machine's host (9p).

use std::path::Path;

/// Room that is left for this user where `path` lies, bytes; `None` where it cannot be told.
pub fn free_bytes(path: &Path) -> Option<u64> {
    #[cfg(unix)]
    {
        let told = rustix::fs::statvfs(nearest(path)?).ok()?;
        told.f_bavail.checked_mul(told.f_frsize)
    }
    #[cfg(not(unix))]
    {
        let _ = path;
        None
    }
}

/// Name of the network file system that `path` lies on; `None` for a local one and where it
/// cannot be told. Locks of such file systems may not keep a second writer out.
pub fn network_share(path: &Path) -> Option<&'static str> {
    #[cfg(target_os = "linux")]
    {
        let told = rustix::fs::statfs(nearest(path)?).ok()?;
        share_of(u64::from_ne_bytes((told.f_type as i64).to_ne_bytes()))
    }
    #[cfg(not(target_os = "linux"))]
    {
        let _ = path;
        None
    }
}

/// The folder itself, or the nearest above it that is there.
#[cfg(unix)]
fn nearest(path: &Path) -> Option<&Path> {
    let named = path.ancestors().find(|folder| folder.exists());
    named.map(|folder| if folder.as_os_str().is_empty() { Path::new(".") } else { folder })
}

#[cfg(target_os = "linux")]
fn share_of(magic: u64) -> Option<&'static str> {
    Some(match magic & 0xFFFF_FFFF {
        0x6969 => "NFS",
        0x517B | 0xFE53_4D42 | 0xFF53_4D42 => "SMB",
        0x564C => "NCP",
        0x5346_414F | 0x6B41_4653 => "AFS",
        0x7375_7245 => "Coda",
        0x00C3_6400 => "Ceph",
        0x0BD0_0BD0 => "Lustre",
        0x4750_4653 => "GPFS",
        0x0116_1970 => "GFS2",
        0x7461_636F => "OCFS2",
        _ => return None,
    })
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    /// Numbers of `linux/magic.h`: NFS_SUPER_MAGIC, CIFS_SUPER_MAGIC, SMB2_SUPER_MAGIC, and the
    /// local EXT4_SUPER_MAGIC, XFS_SUPER_MAGIC, TMPFS_MAGIC, OVERLAYFS_SUPER_MAGIC.
    #[test]
    fn shares_are_told_from_local_disks_by_the_numbers_of_the_kernel() {
        assert_eq!(share_of(0x6969), Some("NFS"));
        assert_eq!(share_of(0xFF53_4D42), Some("SMB"));
        // Where the kernel's number is signed and 64 bits wide.
        assert_eq!(share_of(0xFFFF_FFFF_FE53_4D42), Some("SMB"));
        for local in [0xEF53, 0x5846_5342, 0x0102_1994, 0x794C_7630] {
            assert_eq!(share_of(local), None, "{local:x}");
        }
    }

    #[test]
    fn room_is_told_for_a_folder_that_is_yet_to_be_made() {
        let folder = tempfile::tempdir().unwrap();
        let there = free_bytes(folder.path());
        assert!(there.is_some_and(|bytes| bytes > 0));
        assert!(free_bytes(&folder.path().join("not/yet")).is_some());
        assert_eq!(network_share(Path::new("/proc")), None);
    }
}

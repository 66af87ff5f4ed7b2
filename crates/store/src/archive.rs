//! Archives: written whole or not at all, read with every limit held.

use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};
use tempfile::NamedTempFile;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

use crate::error::StoreError;
use crate::job_files::FileSink;
use crate::readings::inside_name;
use crate::recording_pack::hex;
use crate::snapshot::sync_folder;

/// What an archive may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ArchiveLimits {
    /// Files in it.
    pub entries: usize,
    /// All files unpacked [bytes].
    pub total_bytes: u64,
    /// Unpacked over packed size of one file [-]; text recordings pack 4 to 20 times.
    pub ratio: u64,
}

impl ArchiveLimits {
    /// For a job that comes from elsewhere: an hour of recordings fits many times over.
    pub const JOB: Self = Self {
        entries: 2_000,
        total_bytes: 2_000_000_000,
        ratio: 200,
    };
    /// For the shop's own backups.
    pub(crate) const BACKUP: Self = Self {
        entries: 5_000_000,
        total_bytes: 1_000_000_000_000,
        ratio: 1_000,
    };
}

/// Below this a file may unpack to any ratio [bytes].
const SMALL_BYTES: u64 = 1_000_000;

/// A file of an archive as it was written or read.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ArchivedFile {
    pub(crate) name: String,
    pub(crate) sha256: String,
    pub(crate) length_bytes: u64,
}

/// An archive being written; it gets its name in [`ZipSink::finish`] and not before.
pub(crate) struct ZipSink {
    zip: ZipWriter<BufWriter<NamedTempFile>>,
    target: PathBuf,
    pub(crate) files: Vec<ArchivedFile>,
}

impl ZipSink {
    /// An archive that shall become `target`, which must not exist.
    pub(crate) fn new(target: &Path) -> Result<Self, StoreError> {
        if target.exists() {
            return Err(StoreError::invalid(
                target.display().to_string(),
                "is there already",
                "name a file that does not exist yet; nothing was overwritten",
            ));
        }
        let parent = folder_of(target);
        std::fs::create_dir_all(&parent).map_err(|e| StoreError::of_writing(&parent, &e))?;
        let file =
            NamedTempFile::new_in(&parent).map_err(|e| StoreError::of_writing(target, &e))?;
        Ok(Self {
            zip: ZipWriter::new(BufWriter::new(file)),
            target: target.to_owned(),
            files: Vec::new(),
        })
    }

    /// Takes a file from the disk.
    pub(crate) fn put_file(&mut self, name: &str, path: &Path) -> Result<(), StoreError> {
        let file = File::open(path).map_err(|e| StoreError::of_reading(path, &e))?;
        let large = file
            .metadata()
            .is_ok_and(|m| m.len() > u64::from(u32::MAX / 2));
        self.copy(name, file, large)
    }

    fn copy(&mut self, name: &str, mut from: impl Read, large: bool) -> Result<(), StoreError> {
        let options = SimpleFileOptions::default().large_file(large);
        let begun = self.zip.start_file(name, options);
        let target = self.target.clone();
        let failed = |e: io::Error| StoreError::of_writing(&target, &e);
        begun.map_err(|e| match e {
            zip::result::ZipError::Io(e) => failed(e),
            // The library's words for the others are those of a program.
            _ => StoreError::invalid(
                target.display().to_string(),
                format!("the file `{name}` cannot be put into the archive"),
                "export into a folder instead: give a name that does not end in `.zip`",
            ),
        })?;
        let mut hash = Sha256::new();
        let mut length_bytes = 0;
        let mut buffer = vec![0; 1 << 16];
        loop {
            let n = from.read(&mut buffer).map_err(failed)?;
            if n == 0 {
                break;
            }
            hash.update(&buffer[..n]);
            length_bytes += n as u64;
            self.zip.write_all(&buffer[..n]).map_err(failed)?;
        }
        self.files.push(ArchivedFile {
            name: name.to_owned(),
            sha256: hex(&hash.finalize()),
            length_bytes,
        });
        Ok(())
    }

    /// Ends the archive, waits until it is on the disk and gives it its name.
    pub(crate) fn finish(self) -> Result<(), StoreError> {
        let target = self.target;
        let failed = |e: io::Error| StoreError::of_writing(&target, &e);
        let written = self.zip.finish().map_err(|e| failed(e.into()))?;
        let file = written.into_inner().map_err(|e| failed(e.into_error()))?;
        file.as_file().sync_all().map_err(failed)?;
        file.persist_noclobber(&target)
            .map_err(|e| failed(e.error))?;
        sync_folder(&folder_of(&target))
    }
}

impl FileSink for ZipSink {
    fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), StoreError> {
        self.copy(name, bytes, bytes.len() as u64 > u64::from(u32::MAX / 2))
    }
}

/// Unpacks an archive into a folder that is empty, within the limits.
///
/// Names must lie inside the folder; links and other special files are refused.
///
/// # Errors
/// [`StoreError::Invalid`] naming the archive and the file in it; nothing outside the folder is
/// touched.
pub fn unpack_archive(
    archive: &Path,
    folder: &Path,
    limits: ArchiveLimits,
) -> Result<(), StoreError> {
    unpack(archive, folder, limits).map(drop)
}

pub(crate) fn unpack(
    archive: &Path,
    folder: &Path,
    limits: ArchiveLimits,
) -> Result<Vec<ArchivedFile>, StoreError> {
    let file = File::open(archive).map_err(|e| StoreError::of_reading(archive, &e))?;
    let refused = |problem: String, remedy: &str| {
        StoreError::invalid(archive.display().to_string(), problem, remedy)
    };
    let broken = |e: zip::result::ZipError| {
        refused(
            format!("is no sound archive: {e}"),
            "copy or fetch the file again",
        )
    };
    let mut zip = ZipArchive::new(io::BufReader::new(file)).map_err(broken)?;
    if zip.len() > limits.entries {
        return Err(refused(
            format!(
                "holds {} files, at most {} are taken",
                zip.len(),
                limits.entries
            ),
            "check what it is",
        ));
    }
    let mut left = limits.total_bytes;
    let mut files = Vec::new();
    for index in 0..zip.len() {
        let mut entry = zip.by_index(index).map_err(broken)?;
        let raw_name = entry.name().map_err(broken)?.into_owned();
        if entry.is_dir() {
            continue;
        }
        if entry.is_symlink() || !regular(entry.unix_mode()) {
            return Err(refused(
                format!("`{raw_name}` in it is a link or device"),
                "pack plain files only",
            ));
        }
        let name =
            archived_name(&raw_name).map_err(|e| refused(e.to_string(), "do not trust it"))?;
        let allowed =
            SMALL_BYTES.saturating_add(entry.compressed_size().saturating_mul(limits.ratio));
        let allowed = allowed.min(left);
        let path = folder.join(&name);
        let taken = copy_limited(&mut entry, &path, allowed, archive)?;
        let Some((sha256, length_bytes)) = taken else {
            return Err(refused(
                format!("`{raw_name}` in it unpacks to more than {allowed} bytes"),
                "check what it is; such an archive is usually made to fill disks",
            ));
        };
        left -= length_bytes;
        files.push(ArchivedFile {
            name,
            sha256,
            length_bytes,
        });
    }
    Ok(files)
}

/// A name inside the folder; here the job's own files are wanted.
fn archived_name(raw: &str) -> Result<String, StoreError> {
    match raw {
        "job.toml" | "profile.toml" | "record.json" => Ok(raw.to_owned()),
        other => inside_name(other),
    }
}

/// Whether unix permissions, where an archive has them, are those of a plain file.
fn regular(mode: Option<u32>) -> bool {
    mode.is_none_or(|m| matches!(m & 0o170_000, 0 | 0o100_000))
}

/// Copies at most `allowed` bytes; `None` when there are more.
fn copy_limited(
    entry: &mut impl Read,
    path: &Path,
    allowed: u64,
    archive: &Path,
) -> Result<Option<(String, u64)>, StoreError> {
    let failed = |e: io::Error| StoreError::of_writing(path, &e);
    std::fs::create_dir_all(folder_of(path)).map_err(failed)?;
    // Two entries of one name are no honest archive; the second must not win.
    let mut out = File::create_new(path).map_err(failed)?;
    let mut hash = Sha256::new();
    let mut length = 0_u64;
    let mut buffer = vec![0; 1 << 16];
    loop {
        let n = entry.read(&mut buffer).map_err(|e| {
            StoreError::invalid(
                archive.display().to_string(),
                format!("is no sound archive: {e}"),
                "copy or fetch the file again",
            )
        })?;
        if n == 0 {
            break;
        }
        length += n as u64;
        if length > allowed {
            return Ok(None);
        }
        hash.update(&buffer[..n]);
        out.write_all(&buffer[..n]).map_err(failed)?;
    }
    out.sync_all().map_err(failed)?;
    Ok(Some((hex(&hash.finalize()), length)))
}

/// The folder a file lies in.
pub(crate) fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        _ => PathBuf::from("."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(entries: &[(&str, &[u8], Option<u32>)]) -> (tempfile::TempDir, PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.zip");
        let mut zip = ZipWriter::new(File::create(&path).unwrap());
        for (name, bytes, mode) in entries {
            let mut options = SimpleFileOptions::default();
            if let Some(mode) = mode {
                options = options.unix_permissions(*mode);
            }
            zip.start_file(*name, options).unwrap();
            zip.write_all(bytes).unwrap();
        }
        zip.finish().unwrap();
        (dir, path)
    }

    fn refused(entries: &[(&str, &[u8], Option<u32>)], limits: ArchiveLimits) -> String {
        let (dir, path) = made(entries);
        let out = dir.path().join("in/out");
        let error = unpack_archive(&path, &out, limits).unwrap_err();
        let outside: Vec<_> = std::fs::read_dir(dir.path()).unwrap().collect();
        assert!(outside.len() <= 2, "{outside:?}");
        error.to_string()
    }

    #[test]
    fn files_come_back_as_they_were() {
        let (dir, path) = made(&[("job.toml", b"a", None), ("raw/b.csv", b"bb", None)]);
        let files = unpack(&path, &dir.path().join("out"), ArchiveLimits::JOB).unwrap();
        assert_eq!(files.len(), 2);
        assert_eq!(
            std::fs::read(dir.path().join("out/raw/b.csv")).unwrap(),
            b"bb"
        );
    }

    #[test]
    fn names_that_lead_out_are_refused() {
        for name in [
            "../evil.csv",
            "/evil.csv",
            "a/../../evil.csv",
            "c:\\evil.csv",
            "..\\evil.csv",
        ] {
            let text = refused(&[(name, b"x", None)], ArchiveLimits::JOB);
            assert!(text.contains("leads out"), "{name}: {text}");
        }
    }

    #[test]
    fn bombs_are_refused_by_ratio_by_size_and_by_count() {
        let zeros = vec![0; 30_000_000];
        let text = refused(&[("a.csv", &zeros, None)], ArchiveLimits::JOB);
        assert!(text.contains("unpacks to more than"), "{text}");
        let tight = ArchiveLimits {
            total_bytes: 1_000,
            ..ArchiveLimits::JOB
        };
        let text = refused(&[("a", &[1; 900], None), ("b", &[2; 900], None)], tight);
        assert!(
            text.contains("`b` in it unpacks to more than 100 bytes"),
            "{text}"
        );
        let few = ArchiveLimits {
            entries: 1,
            ..ArchiveLimits::JOB
        };
        let text = refused(&[("a", b"1", None), ("b", b"2", None)], few);
        assert!(text.contains("holds 2 files"), "{text}");
    }

    #[test]
    fn cut_off_archives_are_refused() {
        let (dir, path) = made(&[("a.csv", &[7; 5000], None)]);
        let bytes = std::fs::read(&path).unwrap();
        for cut in [0, 10, bytes.len() / 2, bytes.len() - 4] {
            std::fs::write(&path, &bytes[..cut]).unwrap();
            let out = dir.path().join(format!("out{cut}"));
            assert!(unpack_archive(&path, &out, ArchiveLimits::JOB).is_err());
        }
    }

    #[test]
    fn an_archive_is_never_written_over() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("b.zip");
        std::fs::write(&path, "mine").unwrap();
        assert!(ZipSink::new(&path).is_err());
        assert_eq!(std::fs::read(&path).unwrap(), b"mine");
    }
}

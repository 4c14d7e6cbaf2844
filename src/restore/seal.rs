//! Closes and opens a stream with age v1 (C2SP age specification), the format of the program `age`.

use std::fmt;
use std::fs::File;
use std::io::{self, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use age::secrecy::SecretString;

use crate::jobs::Encrypt;
use crate::tools::seal::Opener;

#[derive(Debug)]
pub enum SealError {
    File {
        path: PathBuf,
        error: io::Error,
    },
    EmptyPassphrase(PathBuf),
    /// Only the service is given its credentials.
    NoCredential(String),
    Recipient {
        text: String,
        why: String,
    },
    Identity {
        path: PathBuf,
        why: String,
    },
    /// The secret is not the one that it was closed with.
    WrongSecret,
    /// Not an age file, or one that was damaged or cut off.
    Damaged(String),
    Stream(io::Error),
}

impl fmt::Display for SealError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, error } => write!(f, "cannot read `{}`: {error}", path.display()),
            Self::EmptyPassphrase(path) => write!(
                f,
                "`{}` has no passphrase in its first line",
                path.display()
            ),
            Self::NoCredential(name) => write!(
                f,
                "the credential `{name}` is given to the service only (`LoadCredential=`, systemd.exec(5)); by hand, \
                 give `--passphrase-file FILE`"
            ),
            Self::Recipient { text, why } => write!(f, "`{text}` is not an age recipient: {why}"),
            Self::Identity { path, why } => {
                write!(f, "`{}` holds no age secret key: {why}", path.display())
            }
            Self::WrongSecret => write!(f, "the passphrase or key does not open this archive"),
            Self::Damaged(why) => write!(
                f,
                "the archive is damaged, cut off, or not made by age: {why}"
            ),
            Self::Stream(error) => write!(f, "{error}"),
        }
    }
}

impl std::error::Error for SealError {}

/// The first line of a file, without its end.
///
/// # Errors
/// When the file cannot be read or its first line is empty.
pub fn read_passphrase(path: &Path) -> Result<SecretString, SealError> {
    let named = |error| SealError::File {
        path: path.to_owned(),
        error,
    };
    let mut text = String::new();
    File::open(path)
        .and_then(|mut file| file.read_to_string(&mut text))
        .map_err(named)?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(SecretString::from(line.to_owned())),
        _ => Err(SealError::EmptyPassphrase(path.to_owned())),
    }
}

/// Reads plain bytes to their end and writes them closed.
///
/// # Errors
/// When the secret cannot be read, or a stream breaks.
pub fn seal(encrypt: &Encrypt, input: impl Read, output: impl Write) -> Result<(), SealError> {
    let encryptor = match encrypt {
        Encrypt::Passphrase(file) => age::Encryptor::with_user_passphrase(read_passphrase(file)?),
        Encrypt::Credential(name) => {
            age::Encryptor::with_user_passphrase(read_passphrase(&credential(name)?)?)
        }
        Encrypt::Recipients(keys) => {
            let keys = keys
                .iter()
                .map(|key| recipient(key))
                .collect::<Result<Vec<_>, _>>()?;
            let keys = keys.iter().map(|key| key as &dyn age::Recipient);
            age::Encryptor::with_recipients(keys)
                .map_err(|error| SealError::Damaged(error.to_string()))?
        }
    };
    let mut writer = encryptor.wrap_output(output).map_err(SealError::Stream)?;
    copy(input, &mut writer).map_err(SealError::Stream)?;
    let mut output = writer.finish().map_err(SealError::Stream)?;
    output.flush().map_err(SealError::Stream)
}

fn recipient(text: &str) -> Result<age::x25519::Recipient, SealError> {
    age::x25519::Recipient::from_str(text).map_err(|why| SealError::Recipient {
        text: text.to_owned(),
        why: why.to_owned(),
    })
}

/// Reads closed bytes to their end and writes them plain. Output before an error is genuine, but not all.
///
/// # Errors
/// When the secret does not fit, or the input is damaged or cut off.
pub fn unseal(opener: &Opener, input: impl Read, mut output: impl Write) -> Result<(), SealError> {
    let decryptor = age::Decryptor::new_buffered(BufReader::new(input)).map_err(damage)?;
    let identities = keys(opener)?;
    let reader = decryptor
        .decrypt(identities.iter().map(|key| &**key as &dyn age::Identity))
        .map_err(damage)?;
    copy(reader, &mut output).map_err(|error| match error.kind() {
        io::ErrorKind::InvalidData | io::ErrorKind::UnexpectedEof => {
            SealError::Damaged(error.to_string())
        }
        _ => SealError::Stream(error),
    })?;
    output.flush().map_err(SealError::Stream)
}

/// Whether the secret is the one that a file was closed with, of which `head` is the beginning: its header tells.
///
/// # Errors
/// [`SealError::WrongSecret`] when it is another, and what else is wrong.
pub fn opens(opener: &Opener, head: &[u8]) -> Result<(), SealError> {
    let decryptor = age::Decryptor::new_buffered(head).map_err(damage)?;
    let identities = keys(opener)?;
    let opened = decryptor.decrypt(identities.iter().map(|key| &**key as &dyn age::Identity));
    opened.map(drop).map_err(damage)
}

fn keys(opener: &Opener) -> Result<Vec<Box<dyn age::Identity + Send + Sync>>, SealError> {
    Ok(match opener {
        Opener::PassphraseFile(file) => vec![Box::new(by_passphrase(file)?)],
        Opener::Credential(name) => vec![Box::new(by_passphrase(&credential(name)?)?)],
        Opener::IdentityFile(file) => identities(file)?,
    })
}

fn by_passphrase(file: &Path) -> Result<age::scrypt::Identity, SealError> {
    let mut identity = age::scrypt::Identity::new(read_passphrase(file)?);
    // the highest that the program `age` takes by itself
    identity.set_max_work_factor(22);
    Ok(identity)
}

/// Where systemd puts a credential of the service (systemd.exec(5)).
fn credential(name: &str) -> Result<PathBuf, SealError> {
    let folder = std::env::var_os("CREDENTIALS_DIRECTORY");
    let folder = folder.ok_or_else(|| SealError::NoCredential(name.to_owned()))?;
    Ok(Path::new(&folder).join(name))
}

fn identities(path: &Path) -> Result<Vec<Box<dyn age::Identity + Send + Sync>>, SealError> {
    let named = |error| SealError::File {
        path: path.to_owned(),
        error,
    };
    let file = File::open(path).map_err(named)?;
    let unreadable = |why: String| SealError::Identity {
        path: path.to_owned(),
        why,
    };
    let parsed = age::IdentityFile::from_buffer(BufReader::new(file)).map_err(named)?;
    let keys = parsed
        .into_identities()
        .map_err(|error| unreadable(error.to_string()))?;
    if keys.is_empty() {
        Err(unreadable("it is empty".to_owned()))
    } else {
        Ok(keys)
    }
}

fn damage(error: age::DecryptError) -> SealError {
    match error {
        age::DecryptError::NoMatchingKeys
        | age::DecryptError::DecryptionFailed
        | age::DecryptError::KeyDecryptionFailed => SealError::WrongSecret,
        age::DecryptError::Io(error) if error.kind() == io::ErrorKind::NotFound => {
            SealError::Stream(error)
        }
        other => SealError::Damaged(other.to_string()),
    }
}

/// age works in chunks of 64 KiB; so do we.
fn copy(mut from: impl Read, to: &mut impl Write) -> io::Result<()> {
    let mut buffer = vec![0; 64 * 1024];
    loop {
        match from.read(&mut buffer) {
            Ok(0) => return Ok(()),
            Ok(count) => to.write_all(&buffer[..count])?,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

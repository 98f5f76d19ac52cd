//! Why nobody was reached at an address, in plain words.

use std::error::Error;
use std::io;

use rustls::CertificateError;

/// Half a sentence on what stood in the way. The address may hold a secret of its own; it is left
/// out.
pub(super) fn in_words(error: &reqwest::Error) -> String {
    if let Some(fault) = certificate_fault(error) {
        return certificate_in_words(fault).to_owned();
    }
    if error.is_timeout() {
        return "it did not answer in time".to_owned();
    }
    let mut deepest: &dyn Error = error;
    while let Some(source) = deepest.source() {
        deepest = source;
    }
    match error.source() {
        Some(_) => format!("{deepest}"),
        None => "the address cannot be used".to_owned(),
    }
}

fn certificate_fault<'e>(error: &'e (dyn Error + 'static)) -> Option<&'e CertificateError> {
    if let Some(rustls::Error::InvalidCertificate(fault)) = error.downcast_ref() {
        return Some(fault);
    }
    // What an I/O error was made of is no source of it.
    let made_of = error.downcast_ref::<io::Error>().and_then(io::Error::get_ref);
    match made_of {
        Some(inner) => certificate_fault(inner),
        None => certificate_fault(error.source()?),
    }
}

fn certificate_in_words(fault: &CertificateError) -> &'static str {
    match fault {
        CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
            "its certificate has expired, so nothing was sent"
        }
        CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
            "its certificate is for another name, so nothing was sent"
        }
        _ => {
            "this machine does not trust its certificate, so nothing was sent; have it signed by a \
             known authority, or add yours to those that the machine trusts"
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read;
    use std::net::TcpListener;
    use std::sync::Arc;

    use rustls::pki_types::pem::PemObject;
    use rustls::pki_types::{CertificateDer, PrivateKeyDer};
    use rustls::{ServerConfig, ServerConnection, Stream};

    use super::super::post;
    use crate::http_client;

    const STRANGER: &[u8] = include_bytes!("stranger.pem");

    /// Answers one call over TLS by a certificate of its own; gives what it could read of it.
    fn stranger() -> (String, std::thread::JoinHandle<Vec<u8>>) {
        // Names what encrypts.
        drop(http_client::builder());
        let certificate = CertificateDer::from_pem_slice(STRANGER).unwrap();
        let key = PrivateKeyDer::from_pem_slice(STRANGER).unwrap();
        let config = ServerConfig::builder()
            .with_no_client_auth()
            .with_single_cert(vec![certificate], key)
            .unwrap();
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("https://{}/a-secret-path", listener.local_addr().unwrap());
        let answered = std::thread::spawn(move || {
            let mut link = listener.accept().unwrap().0;
            let mut tls = ServerConnection::new(Arc::new(config)).unwrap();
            let mut read = Vec::new();
            // The other side breaks off.
            let _ = Stream::new(&mut tls, &mut link).read_to_end(&mut read);
            read
        });
        (address, answered)
    }

    #[tokio::test]
    async fn a_certificate_of_nobody_s_is_refused_in_a_plain_sentence() {
        let (address, answered) = stranger();
        let fault = post(&address, "key", "{}", 1).await.unwrap_err();
        assert!(fault.retryable(), "a certificate can be put right: {fault}");
        let says = fault.to_string();
        assert!(says.contains("this machine does not trust its certificate"), "{says}");
        assert!(!says.contains("a-secret-path"), "{says}");
        assert_eq!(answered.join().unwrap(), b"", "nothing of the note was sent");
    }

    #[tokio::test]
    async fn an_address_where_nobody_listens_is_said_to_be_one() {
        let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let says = post(&format!("http://{free}/x"), "key", "{}", 1).await.unwrap_err().to_string();
        assert!(says.contains("refused") && !says.contains("/x"), "{says}");
    }
}

use axum::http::StatusCode;

use crate::client::Device;

const SETTINGS: [(&str, &str); 12] = [
    ("pressure", "cmHg"),
    ("decimal", "comma"),
    ("language", ""),
    ("name", "Workshop at the Weir"),
    ("address", "Mill Lane 2\r\n0123 456"),
    ("currency", "EUR"),
    ("rate", "72,50"),
    ("line_words.0", "balance, with report"),
    ("line_minutes.0", "50"),
    ("line_price.0", "2.5"),
    ("line_words.1", ""),
    ("line_minutes.1", ""),
];

#[tokio::test]
async fn settings_and_pairings_outlast_the_server() {
    let device = Device::paired().await;
    let kept = device.submit("/shop", &SETTINGS).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    let device = device.restarted().await;
    let page = device.get("/shop").await;
    assert_eq!(page.status, StatusCode::OK, "the device is still paired");
    for text in [
        "value=\"Workshop at the Weir\"",
        "Mill Lane 2\n0123 456",
        "value=\"72,50\"",
        "value=\"balance, with report\"",
        "value=\"2,50\"",
        "value=\"cmHg\" checked",
        "value=\"comma\" checked",
    ] {
        assert!(page.text.contains(text), "{text} in {}", page.text);
    }
    // The forms still carry the right token.
    let kept = device.submit("/shop", &SETTINGS).await;
    assert_eq!(kept.status, StatusCode::SEE_OTHER, "{kept:?}");
    device.submit("/devices/leave", &[]).await;
    let device = device.restarted().await;
    assert_eq!(device.get("/shop").await.status, StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn no_token_is_in_any_file_of_the_records() {
    let device = Device::paired().await;
    let csrf = device.csrf().await;
    let token = device.cookie_value().to_owned();
    assert_eq!((token.len(), csrf.len()), (64, 64));
    let mut looked = 0;
    for entry in std::fs::read_dir(device.work.path().join("records")).unwrap() {
        let path = entry.unwrap().path();
        if !path.is_file() {
            continue;
        }
        looked += 1;
        let bytes = std::fs::read(&path).unwrap();
        for secret in [&token, &csrf] {
            let found = bytes.windows(64).any(|w| w == secret.as_bytes());
            assert!(!found, "{}", path.display());
        }
    }
    assert!(looked >= 2, "database and log");
}

#[tokio::test]
async fn amounts_that_are_none_are_named() {
    let device = Device::paired().await;
    for (field, value, word) in [
        ("rate", "much", "Charge for an hour of work"),
        ("rate", "-3", "-300"),
        ("line_price.0", "1e12", "Line 1, Parts or fixed price"),
        ("pressure", "furlong", "kPa, hPa"),
        ("decimal", "dot", "point, comma"),
    ] {
        let mut form = SETTINGS.to_vec();
        form.retain(|(name, _)| *name != field);
        form.push((field, value));
        let answer = device.submit("/shop", &form).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{field}");
        assert!(answer.text.contains(word), "{word} in {}", answer.text);
    }
}

#[tokio::test]
async fn a_translation_of_the_data_folder_is_used_and_checked() {
    let device = Device::paired().await;
    let folder = device.work.path().join("records/texts");
    std::fs::create_dir_all(&folder).unwrap();
    let toml = "[page]\nlang = \"de\"\n[nav]\nbench = \"Werkbank\"\nhandstand = \"x\"\n\
                [devices]\ncount = \"Geräte\"\n";
    std::fs::write(folder.join("de.toml"), toml).unwrap();
    std::fs::write(folder.join("broken.toml"), "[nav\n").unwrap();
    let choose = async |language: &str| {
        let mut form = SETTINGS.to_vec();
        form.retain(|(name, _)| *name != "language");
        form.push(("language", language));
        device.submit("/shop", &form).await
    };
    choose("de.toml").await;
    let page = device.get("/shop").await.text;
    assert!(page.contains("lang=\"de\"") && page.contains(">Werkbank</a>"));
    // What is missing stays English, and what is wrong is named.
    for text in [">Machines</a>", "nav.handstand", "devices.count"] {
        assert!(page.contains(text), "{text} in {page}");
    }
    choose("broken.toml").await;
    let page = device.get("/shop").await.text;
    assert!(page.contains(">Bench</a>") && page.contains("broken.toml"));
    for elsewhere in ["../../etc/passwd", "../de.toml", "/etc/x.toml"] {
        choose(elsewhere).await;
        let page = device.get("/shop").await.text;
        assert!(page.contains("no name of a translation"), "{page}");
    }
    let english = device.get("/shop/en.toml").await;
    assert!(english.text.contains("bench = \"Bench\""));
}

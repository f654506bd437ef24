{
  "format": 1,
  "digest": "c3fb608dda4be7ce9d8001bd5d58efbf00dabbba3da0714db6e08be71a97c7fc",
  "lines": 166,
  "sha256": "455c66409ee7de5e0b604b54cb894c9819872ddda1804b3f089cc08874e53090",
  "signer": "",
  "public_key": "39f00cda2c6fbdd006e109cdeeea3ec9179ad08aee835eeb60d8031d90739508",
  "signature": "98c5128497d2efb4f12a55196b7a628acc28858742aba4206d3c75f02b9772d7ac1c8f64aabbaa9ea8faaf993092adbbd21137d0a31c54401f1151e4e127010e"
}

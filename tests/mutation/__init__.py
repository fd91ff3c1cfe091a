"""Do the tests notice a changed sign, factor or degree of freedom? Changes the estimators one place at a time and runs their tests."""
